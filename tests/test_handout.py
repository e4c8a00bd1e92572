"""The page a patient takes home: own counts alone, no code anywhere, plain words, no verdict of its own."""

import re
import stat

import pytest
import registers

from analytics.__main__ import main
from analytics.errors import ParameterError
from analytics.pages import handout

CODE = "Q7K2M-8ZPTX"
# Densities that only one patient has, to be looked for in every file.
OWN = {0.0: 31.0, 6.0: 57.0, 12.0: 83.0}
OTHERS = {0.0: 41.7, 6.0: 67.3, 12.0: 113.9}


def _register(folder, **more):
    people = [CODE, *(f"BX-{i}" for i in range(4))]
    counts = [registers.count(CODE, f"{CODE}-1", m, d) for m, d in OWN.items()]
    counts += [
        registers.count(p, f"{p}-1", m, d + i) for i, p in enumerate(people[1:]) for m, d in OTHERS.items()
    ]
    registers.one_session_each(folder, people, counts)
    return folder


def _asked(tmp_path, *settings, formats="html"):
    asked = ["report", "04", str(tmp_path / "d"), "--out", str(tmp_path / "o"), "--formats", formats]
    given = ("audience=patient", f"patient={CODE}", *settings)
    return main([*asked, *(part for one in given for part in ("--set", one))])


def _text(html):
    """Return what a person reads: no style, no tags."""
    body = re.sub(r"<style.*?</style>", "", html, flags=re.S).partition("<body>")[2]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


def test_no_file_of_a_handout_holds_the_code_or_a_number_of_anybody_else(tmp_path, capsys):
    _register(tmp_path / "d")
    assert _asked(tmp_path) == 0, capsys.readouterr().err
    files = [p for p in (tmp_path / "o").rglob("*") if p.is_file()]
    assert sorted(p.name for p in files if p.suffix == ".html") == ["handout.html"]
    for path in files:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        inside = path.read_bytes().decode("utf-8", "replace")
        for code in (CODE, "BX-"):
            assert code.casefold() not in f"{path.name} {inside}".casefold()
    text = _text((tmp_path / "o" / "handout" / "handout.html").read_text())
    whole = {round(d + i) for d in OTHERS.values() for i in range(4)}
    assert whole.isdisjoint({int(n) for n in re.findall(r"\d+", text)})
    assert {"31", "57", "83"} <= set(re.findall(r"\d+", text))


@pytest.mark.browser
def test_the_pdf_of_a_handout_holds_no_code_either(tmp_path):
    _register(tmp_path / "d")
    assert _asked(tmp_path, formats="html,pdf") == 0
    assert CODE.encode() not in (tmp_path / "o" / "handout" / "handout.pdf").read_bytes()


def test_the_code_is_refused_in_the_label_and_in_what_the_surgeon_writes(tmp_path, capsys):
    _register(tmp_path / "d")
    for settings in (
        f"message=Dear {CODE}",
        f"unusual=Call us, {CODE.lower()}",
        f"verdicts=crown: {CODE} grows",
    ):
        assert _asked(tmp_path, settings) == 2
        assert "it holds the patient's code" in capsys.readouterr().err
    with pytest.raises(ParameterError, match="label"):
        handout.write(tmp_path / "d", tmp_path / "o", label=f"to-{CODE}", patient=CODE)
    assert not (tmp_path / "o").exists()


def test_verdicts_and_what_is_unusual_stand_there_only_where_somebody_wrote_them(tmp_path):
    _register(tmp_path / "d")
    silent = handout.write(tmp_path / "d", tmp_path / "o", patient=CODE)["html"].read_text()
    assert "unusual" not in _text(silent)
    assert not any(said in silent for said in handout.CHOICES.values())
    said = handout.write(
        tmp_path / "d", tmp_path / "o", label="b", patient=CODE, verdicts="frontal: grown",
        unusual="Pus or fever. Call 555.", message="It looks good.",
    )["html"].read_text()  # fmt: skip
    for words in (handout.CHOICES["grown"], "Pus or fever. Call 555.", "It looks good."):
        assert words in said


def test_a_handout_is_never_written_over_another(tmp_path, capsys):
    _register(tmp_path / "d")
    assert _asked(tmp_path) == 0
    assert _asked(tmp_path) == 2
    assert "perhaps another patient's" in capsys.readouterr().err


def test_no_other_page_is_made_for_a_patient_and_a_patient_must_be_named(tmp_path, capsys):
    _register(tmp_path / "d")
    assert (
        main(["report", "01", str(tmp_path / "d"), "--set", "audience=patient", "--out", str(tmp_path)]) == 2
    )
    assert "page 04 alone" in capsys.readouterr().err
    assert (
        main(["report", "04", str(tmp_path / "d"), "--set", "audience=patient", "--out", str(tmp_path)]) == 2
    )
    assert "--set patient=" in capsys.readouterr().err
    assert main(["report", "04", str(tmp_path / "d"), "--out", str(tmp_path)]) == 2
    assert "patient=0108" in capsys.readouterr().err, "page 04 without a patient says at once what to give"


def _syllables(word):
    """Count groups of vowels; a silent e at the end counts only where it is the one vowel."""
    word = re.sub(r"[^a-z]", "", word.lower())
    groups = len(re.findall(r"[aeiouy]+", word))
    silent = word.endswith("e") and not word.endswith("le") and groups > 1
    return max(1, groups - silent)


def _grade(text):
    """Return the Flesch-Kincaid grade (Kincaid et al. 1975, from memory)."""
    sentences = [s for s in re.split(r"[.!?]+(?:\s|$)", text) if re.search("[a-z]", s)]
    words = re.findall(r"[A-Za-z']+", text)
    return 0.39 * len(words) / len(sentences) + 11.8 * sum(map(_syllables, words)) / len(words) - 15.59


def test_the_formula_of_reading_ease_gives_a_value_worked_out_by_hand():
    """Six words, one sentence, six syllables: 0.39 x 6 + 11.8 - 15.59 = -1.45."""
    assert _grade("The cat sat on the mat.") == pytest.approx(-1.45)


# What is due is measured from the register's last month: 0030 was not counted since, 0001 not at month 18.
@pytest.mark.parametrize(
    ("patient", "next_visit"),
    [
        ("0108", "9 months after your second operation: we count your midscalp and crown."),
        ("0001", "A visit is due: it was planned for 18 months after your second operation."),
        ("0030", "A visit is due: it was planned for 18 months after your operation."),
        ("0226", "A visit is due: it was planned for 1 month after your operation."),
    ],
)
def test_a_handout_can_be_read_after_eight_years_of_school(tmp_path, patient, next_visit):
    made = handout.write(
        "data_demo", tmp_path, patient=patient, verdicts="crown: early; frontal: grown; hairline: little"
    )
    html = made["html"].read_text()
    sentences = re.findall(r"<p[^>]*>(.*?)</p>", html, flags=re.S)
    prose = " ".join(_text(f"<body>{s}") for s in sentences if re.search(r"[a-z][.!?]\s*$", s.strip()))
    assert next_visit in prose
    is_counted = patient in ("0108", "0001")
    assert ("what we counted" in html, "no clear count" in html) == (is_counted, not is_counted)
    assert len(prose.split()) > 60
    assert _grade(prose) <= 8
