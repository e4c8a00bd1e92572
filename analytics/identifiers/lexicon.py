"""Words that give identifiers away: column names in several languages, titles, given names, streets.

From memory and common use in the languages named; no source. A word that is missing here is only found by
the shape of its values. Accents and capitals do not count; a stem (ending in *) also matches longer words.
"""

import re
import unicodedata

# The eighteen classes of 45 CFR 164.514(b)(2)(i), in its order.
CLASSES = {
    "name": "a name",
    "place": "a place smaller than a state",
    "date": "a date finer than the year, or an age over 89",
    "phone": "a telephone number",
    "fax": "a fax number",
    "email": "an e-mail address",
    "national": "a social security or national number",
    "record": "a medical record number",
    "plan": "a health plan number",
    "account": "an account or card number",
    "licence": "a certificate or licence number",
    "vehicle": "a vehicle or plate number",
    "device": "a device or serial number",
    "url": "a web address",
    "ip": "an internet address",
    "biometric": "a biometric identifier",
    "photo": "a photograph, or the path of a file",
    "other": "a unique number, code or text",
}

# en de fr es it pt nl sv/da/no pl tr cs fi hu, then a few in other scripts.
NAMES = {
    "name": (
        "name names patientname fullname firstname lastname surname surnames forename givenname "
        "middlename maiden initials nickname nachname vorname familienname patientenname rufname "
        "geburtsname mädchenname anrede nom noms prénom prenoms nomdefamille nombre nombres apellido "
        "apellidos cognome nome nomes sobrenome apelido achternaam voornaam naam patientnaam "
        "tussenvoegsel voorletters efternamn förnamn namn fornavn etternavn efternavn navn nazwisko "
        "imię imie ad soyad soyadı adı isim jméno příjmení nimi sukunimi etunimi név vezetéknév "
        "keresztnév имя фамилия отчество фио ім'я όνομα επώνυμο ονοματεπώνυμο שם اسم الاسم 姓名 名前 氏名 "
        "이름 성명 spouse partnername nextofkin kin guardian employer arbeitgeber angehörige referrer "
        "hausarzt zuweiser"
    ),
    "place": (
        "address* adress* addr street strasse straße anschrift wohnort wohnsitz ort plz postleitzahl "
        "zip zipcode postcode postalcode postal city town village county suburb district precinct "
        "landkreis gemeinde stadt hausnummer adresse rue ville codepostal commune quartier dirección "
        "direccion calle ciudad codigopostal municipio población domicilio indirizzo città citta cap "
        "comune via endereço endereco morada cidade cep bairro straat woonplaats huisnummer gemeente "
        "gata postnummer ulica miasto kodpocztowy adres ilçe mahalle şehir posta_kodu geocode "
        "latitude longitude lat lon lng gps coordinates koordinaten geohash адрес город διεύθυνση 住所 "
        "地址 주소 birthplace geburtsort lieudenaissance"
    ),
    "date": (
        "dob birth* born geburt* geb geboren naissance nacimiento nascita nascimento geboortedatum "
        "födelse* fødsel* urodzenia doğum narození syntymä* születési death died deceased verstorben "
        "todesdatum décès admission discharge aufnahmedatum entlassung датарождения γέννησης 生年月日 "
        "出生日期 생년월일"
    ),
    "phone": (
        "phone* telephone* tel telno mobile mobil* cell cellphone handy handynummer telefon* "
        "téléphone portable teléfono telefono móvil movil celular cellulare telemóvel telefone "
        "telefoon* mobiel gsm whatsapp pager komórka puhelin телефон τηλέφωνο 电话 電話 전화"
    ),
    "fax": ("fax* telefax* télécopie telecopie faks"),
    "email": (
        "email* mail e-mail* emailaddress courriel correo correoelectronico posta_elettronica epost "
        "e-post sähköposti почта 邮箱 メール 이메일"
    ),
    "national": (
        "ssn socialsecurity* sozialversicherung* svnr ahv nhs nhsno nhsnumber nationalid "
        "nationalnumber nino nir numérosécu securitesociale dni nie nif curp rut cpf codicefiscale "
        "bsn burgerservicenummer personnummer fødselsnummer cpr hetu pesel tckn tckimlik rodnécislo "
        "taxid steuer* tin sin aadhaar pan passport* reisepass passeport pasaporte passaporto "
        "paspoort ausweis* personalausweis identitycard idcard carteidentite снилс инн"
    ),
    "record": (
        "mrn medicalrecord* chart chartno chartnumber chartid hospitalno hospitalnumber casenumber "
        "fileno filenumber patientno patientnumber patientennummer patientennr fallnummer "
        "aktenzeichen krankenblatt numerodossier dossier ipp historia historiaclinica nhc cartella "
        "cartellaclinica prontuario dossiernummer journalnummer journalnr protokolno kartanr "
        "номеркарты 病歴番号 病历号"
    ),
    "plan": (
        "insurance* insurer* policy policyno policynumber healthplan* memberid subscriber* "
        "beneficiary medicare medicaid krankenkasse* versicher* kvnr egk mutuelle assurance* poliza "
        "seguro assicurazione tesserasanitaria convênio convenio verzekering* zorgverzekeraar "
        "försäkring ubezpieczenie sigorta"
    ),
    "account": (
        "account* acct iban bic swift bank* card cardno creditcard* kreditkarte* konto* kontonummer "
        "compte cuenta conto conta rekening* invoice* rechnung* facture factura fattura"
    ),
    "licence": (
        "license* licence* certificate* cert npi dea medreg registrationno führerschein* "
        "fuehrerschein* permis permiso carnet patente patentino carta_conduzione rijbewijs körkort "
        "approbation lanr arztnummer"
    ),
    "vehicle": (
        "vehicle* plate* licenseplate numberplate vin car kennzeichen* kfz* immatriculation matricula "
        "matrícula targa placa kenteken* registreringsnummer rejestracyjny plaka fahrgestell*"
    ),
    "device": (
        "serial* serialno sn imei udi deviceid deviceserial seriennummer* gerätenummer geraetenr "
        "numérodesérie numerodeserie numeroserie matricola serienummer mac macaddress lot lotno"
    ),
    "url": ("url urls website webseite web homepage link links facebook instagram twitter linkedin profile"),
    "ip": ("ip ipaddress ipadresse adresseip hostname"),
    "biometric": (
        "biometric* fingerprint* fingerabdruck retina iris voiceprint faceid faceprint dna genome "
        "empreinte huella impronta"
    ),
    "photo": (
        "photo* foto* fotos image* images img picture* pics bild bilder bildpfad imagen imágenes "
        "immagine immagini fotografia fotografias afbeelding* zdjęcie zdjecie resim file filename "
        "filepath path pfad dateiname fichier archivo dicom video* scan attachment фото 写真 照片 사진"
    ),
    "other": (
        "note* notes comment* comments remark* memo freetext bemerkung* notiz* anmerkung* kommentar* "
        "remarque* commentaire* observacion* nota notas commento osservazioni observação opmerking* "
        "anteckning* uwagi notatki açıklama signature unterschrift guid uuid username login password "
        "примечание 備考 备注 비고"
    ),
}

# Names of months as the Unicode CLDR has them, wide and abbreviated, in en de fr es it pt nl sv nb da fi pl
# cs tr hu ro; those of two letters or with a digit left out.
MONTHS = (
    "abr abril ago agosto août apr april aprile aprilie ara aralık aug august augusti augustus augusztus "
    "avr avril ağu ağustos bře březen března cze czerwca czerwiec dec december decembrie des desember dez "
    "dezember dezembro dic dicembre diciembre dub duben dubna déc décembre eki ekim elo elokuu elokuuta "
    "ene enero eyl eylül feb febbraio febr febrero februar februari februarie february február fev "
    "fevereiro févr février gen gennaio giu giugno gru grudnia grudzień haz haziran heinä heinäkuu "
    "heinäkuuta helmi helmikuu helmikuuta huhti huhtikuu huhtikuuta ian ianuarie iul iulie iun iunie jan "
    "janeiro januar januari january január janv janvier joulu joulukuu joulukuuta juil juillet juin jul "
    "julho juli julio july jun june junho juni junio jän jänner júl július jún június kas kasım kesä "
    "kesäkuu kesäkuuta kvě květen května kwi kwiecień kwietnia led leden ledna lip lipca lipiec lis "
    "listopad listopada listopadu loka lokakuu lokakuuta lug luglio lut lutego luty maalis maaliskuu "
    "maaliskuuta maart mag maggio mai maio maj maja mar marca march marras marraskuu marraskuuta mars "
    "mart martie marts marzec marzo março may mayo mayıs mei mrt máj május márc március mär märz nis "
    "nisan noiembrie nov november novembre novembro noviembre oca ocak oct october octobre octombrie "
    "octubre okt oktober október ott ottobre out outubro paź październik października pro prosince "
    "prosinec sep sept september septembre septembrie septiembre set setembro settembre sie sierpień "
    "sierpnia srp srpen srpna sty styczeń stycznia syys syyskuu syyskuuta szept szeptember tammi tammikuu "
    "tammikuuta tem temmuz touko toukokuu toukokuuta wrz wrzesień września zář září ápr április úno únor "
    "února červen července červenec června čvc čvn říj říjen října şub şubat "
)

TITLES = (
    "mr mrs ms miss mx dr prof sir madam herr frau hr fr m mme mlle monsieur madame sr sra srta señor "
    "señora don doña sig sig.ra signor signora dott dottssa dhr mevr meneer mevrouw pan pani bay "
    "bayan dna domnul"
)

# Common given names of several countries, without accents; no list of persons.
GIVEN = (
    "aaron abdul adam adele adrian agnes ahmed aisha alan albert alejandro alex alexander alexandra "
    "alfred ali alice alicia alina amanda amelia amir amy ana anders andrea andreas andrew angela "
    "anita ann anna anne annette anthony antonio arthur astrid barbara beatrice ben benjamin bernard "
    "bernd betty birgit bjorn brian bruno camille carla carlos carmen carol caroline catherine "
    "cecilia charles charlotte chen chloe christian christina christine christopher claire clara "
    "claudia colin cristina daniel daniela david deborah denis derya diana diego dieter dimitri dirk "
    "dmitri dominik dorothea dorothy edith eduardo edward elena eleanor elif elisabeth elizabeth ella "
    "ellen emil emily emma eric erik erika ernst esther eva fabian fatima felix fernando florian "
    "francesca francesco francis francisco frank franz friedrich gabriel gabriela george georg "
    "gerhard gerd giovanni giulia giuseppe gloria grace greta guido gunter hamid hannah hans harald "
    "harry hasan hassan heather heidi heike heinz helen helena helga henri henry herbert hiroshi hugo "
    "ian ibrahim igor ines ingrid irene irina isabel isabella ivan jack jacob jacques jakob james jan "
    "jane janet jean jeffrey jennifer jens jessica jesus joan joao johan johann johannes john jonas "
    "jonathan jorge jose josef joseph juan juana judith julia julian juliette julie jurgen karen "
    "karin karl karim katarzyna katharina katherine kathrin kathleen kenneth kevin khalid klaus "
    "kristina kurt lars laura laurent lea lena leo leon leonardo linda lisa lorenzo louis louise luca "
    "lucas lucia lucy luis luisa lukas magdalena malik manfred manuel marc marco marcus margaret "
    "maria marie marina mario marion mark markus marta martha martin martina mary matteo matthew "
    "matthias maurice max maximilian mehmet mei melanie mia michael michel michelle miguel mikael "
    "mohamed mohammed monica monika mustafa nadia nancy natalia natalie nicholas nicola nicolas "
    "nicole nikolai nina noah nora olaf oleg olga oliver olivia omar oscar oskar otto pablo pamela "
    "paola paolo patricia patrick paul paula pedro peter petra philip philippe pierre rachel rafael "
    "rainer ralf raquel rebecca renate ricardo richard rita robert roberto roger roland rosa rosemary "
    "ruth ryan sabine sally samantha samuel sandra sara sarah scott sebastian sergei sergio sharon "
    "silvia simon simone sofia sonja sophia sophie stefan stefania stephan stephanie stephen steven "
    "susan susanne svetlana sven tanja tatiana teresa theo theresa thomas tim timothy tobias tom "
    "tomas tony ulrich ulrike ursula valentina vera veronica victor victoria viktor vincent viktoria "
    "vladimir walter wanda wei werner wilhelm william wolfgang xavier yasmin yusuf yuki yves yvonne "
    "zahra zeynep zoe"
)

# Common surnames of several countries, without accents and without those that are words of the trade or of
# colours and measures; no list of persons. From memory and common knowledge.
SURNAMES = (
    "aguilar albrecht allen almeida alvarez alves andersen anderson andersson andrade andre arslan aslan "
    "aydin baker bakker balogh barbieri barbosa bauer baumann becker bengtsson bennett berger bernard "
    "bertrand bianchi bohm bonnet brouwer brunner campbell cardoso caruso carvalho castillo castro celik "
    "cerny cetin chen chevalier choi chopra christensen ciobanu clark clarke clement colombo coppola "
    "correia cortes dabrowski davies davis dekker delgado demir diaz dijk dogan dominguez dubois dumitru "
    "dumont dupont durand dvorak egger eriksen eriksson esposito evans farkas faure fernandes fernandez "
    "ferrara ferrari ferreira fischer flores fontaine fontana fournier francois franke freitas friedrich "
    "galli garcia garnier garrido gauthier gheorghe giordano girard gomes gomez goncalves gonzalez gruber "
    "guerin guerrero gunther gupta gustafsson gutierrez guzman hagen hajek hamalainen hansen hansson "
    "harris hartmann haugen heikkinen heinonen hendriks henry hernandez herrera herrmann hoffmann hofmann "
    "horak horvath huang huber iglesias ionescu jackson jansen janssen jansson jarvinen jensen jimenez "
    "johannessen johansen johansson johnsen johnson jones jonsson jorgensen joshi juhasz kaczmarek kaiser "
    "kaminski karlsen karlsson kaya keller khan kilic kobayashi koch kohler koning korhonen koskinen "
    "kovacs kowalski kraus krause krawczyk kristensen kristiansen kruger kucera kumar laine lakatos "
    "lambert lange larsen larsson laurent leeuwen lefebvre lefevre legrand lehmann lehtinen lehtonen "
    "leitner leroy lewandowski lewis lima lindberg lindgren lindqvist lombardi lombardo lopes lopez "
    "lorenz lozano ludwig machado madsen maier makela makinen mancini marchetti marek mariani marino "
    "marques marquez martens martinelli martinez martini martins masson matei mathieu mayer mazur medina "
    "mehta meier meijer mendes mendez mendoza mercier michel miller mitchell molina moller molnar moore "
    "morales moreau moreira morel moreno moretti morin morris moser mulder muller munoz nagy nair "
    "nakamura nascimento navarro nemec nemeth neumann nguyen nicolas nielsen nieminen nilsen nilsson "
    "novak novotny nowak nunes oliveira olsen olsson ortega ortiz ozdemir ozturk papp parisi patel "
    "pedersen pereira perez perrin persson peters petersen pettersen pettersson pham pichler pinto "
    "popescu pospisil prochazka ramirez ramos rasmussen reddy reyes ribeiro ricci richard richter rinaldi "
    "rivera rizzo robert roberts robin robinson rocha rodrigues rodriguez rojas romano romero rossi "
    "rousseau roussel rubio ruiz russo rusu saarinen sahin salminen sanchez santana santoro santos "
    "schafer schmid schmidt schmitt schneider scholz schroder schubert schulz schulze schuster scott "
    "serrano shah sharma silva simon singh smit smith smits soares sorensen soto sousa souza steiner "
    "stoica suzuki svensson svoboda szabo szymanski takacs takahashi tanaka taylor teixeira thomas "
    "thompson thomsen torres toth tran turner varga vargas vazquez veen verma vesely vieira virtanen "
    "visser vitale vries wagner walker wallner wang watanabe watson weber werner williams wilson winkler "
    "wisniewski wojcik wozniak wright yamamoto yang yildirim yildiz yilmaz zhang zhao zhou zielinski "
    "zimmermann "
)

AGES = (
    "age*",
    "alter",
    "age_years",
    "edad",
    "eta",
    "idade",
    "leeftijd",
    "alder",
    "ålder",
    "wiek",
    "yas",
    "ikä",
    "kor",
)


def tokens(header: str) -> list[str]:
    """Return the words of a column name, without accents and capitals, split at marks and at humps.

    >>> tokens("Geb.-Datum"), tokens("patientName")
    (['geb', 'datum'], ['patient', 'name'])
    """
    humps = re.sub(r"(?<=[a-zß-ÿ])(?=[A-ZÀ-Þ])", " ", header)
    return [word for word in re.split(r"[^\w]+|_+", plain(humps)) if word]


def plain(text: str) -> str:
    """Return text without accents, in small letters."""
    decomposed = unicodedata.normalize("NFKD", text)
    return "".join(c for c in decomposed if not unicodedata.combining(c)).casefold()


_EXACT: dict[str, str] = {}
_STEMS: list[tuple[str, str]] = []
for _kind, _words in NAMES.items():
    for _word in plain(_words).split():
        if _word.endswith("*"):
            _STEMS.append((_word[:-1], _kind))
        else:
            _EXACT.setdefault(_word.replace("_", "").replace("-", ""), _kind)


def class_of_header(header: str) -> str | None:
    """Return the class of identifier a column name speaks of, or None.

    Single words, neighbours written as one (chart no, codice fiscale), and stems are tried.

    >>> class_of_header("Patient Name"), class_of_header("Geburtsdatum"), class_of_header("zone")
    ('name', 'date', None)
    """
    words = tokens(header)
    joined = [
        "".join(words[i:j]) for i in range(len(words)) for j in range(i + 2, min(i + 4, len(words)) + 1)
    ]
    for word in [*joined, *words]:
        if word in _EXACT:
            return _EXACT[word]
    for word in [*words, *joined]:
        for stem, kind in _STEMS:
            if word.startswith(stem):
                return kind
    return None


def is_age(header: str) -> bool:
    """Tell whether a column name speaks of an age.

    >>> is_age("Alter"), is_age("age_years"), is_age("dosage")
    (True, True, False)
    """
    exact = {plain(a).rstrip("*").split("_")[0] for a in AGES}
    return any(word in exact for word in tokens(header))
