"""Words and sources the dictionary uses: zones and their maturity, allowed words, publications of limits."""

ZONES = ("hairline", "frontal", "midscalp", "crown", "temples", "other")
MEASURED_ZONES = (*ZONES, "donor")
FRONT = ("hairline", "frontal")  # the reference of every ratio
MATURITY_MONTH = {"hairline": 12, "frontal": 12, "temples": 12, "midscalp": 15, "crown": 18, "other": 18}
# Baseline is a count at month -6 to 0 of its session.
BASELINE_FROM_MONTH = -6.0
OLDEST_AGE = 90  # ages of 90 and more are kept together as 90

SCALES = {
    "Norwood-Hamilton": ("I", "II", "IIa", "III", "IIIa", "III vertex", "IV", "IVa", "V", "Va", "VI", "VII"),
    "Ludwig": ("I", "II", "III"),
}
METHODS = ("FUT", "FUE", "combined")
MEDIA = ("saline", "ringer", "buffered", "culture", "hypothermic", "hypothermic_atp", "plasma", "other")
CALIBRE_METHODS = ("optical", "caliper", "phototrichogram", "microscope", "other")
HAIR_LENGTHS = ("shaved", "trimmed", "short", "long")
CONDITION_REASONS = (
    "light",
    "wet hair",
    "oily hair",
    "angle",
    "distance",
    "focus",
    "hair length",
    "dye",
    "concealer",
    "styling",
    "other",
)
EVENT_KINDS = (
    "folliculitis",
    "infection",
    "necrosis",
    "effluvium",
    "oedema",
    "numbness",
    "pain",
    "bleeding",
    "dislodged grafts",
    "wide scar",
    "keloid",
    "cyst",
    "reoperation",
    "other",
)
THERAPY_KINDS = ("oral", "topical", "oral and topical", "injected", "light", "other")

ASSUMED = "assumed"
PUBLISHED = "published"
GUO = "Guo et al. 2017, Plast Aesthet Res 4:150-4; Birnbaum et al. 2018, Skin Appendage Disord 4:304-7"
FU_SIZE = "Guo et al. 2017, Plast Aesthet Res 4:150-4; Bernstein & Wolfeld 2016, Dermatol Surg 42:710-14"
CUT_OFF = "40 in Rushton 1989 (author and year from memory), 30 to 60 elsewhere (from memory); margin assumed"
CALIBRE = "Jeong et al. 2011, Skin Res Technol 17:63-8"
SESSION_SIZE = "Kayiran 2017, Clin Surg 2:1287; Georgian Med News 2005;(122):7-10"
LIFETIME = "Umar 2016, Aesthet Surg J 36:1101-10"
SCALP = "Bernstein & Rassman 1997, Dermatol Surg 23:785-99"
HELD = "Kim et al. 2002, Ann Dermatol 14(3)"
DENSE = (
    "Mayer, Keene & Perez-Meza 2005, meeting report (from memory); Nakatsui, Wong & Groot 2008, Dermatol Surg"
)
TARGET_AREA = "Kaufman et al. 2008, Eur J Dermatol 18:407-11"
