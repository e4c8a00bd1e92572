"""The stated truth that an invented register is drawn from, and where every setting of it comes from.

Every number here is a setting of an invented clinic; nothing describes a real practice. BASIS says of each
whether it is *published* (the value or its range stands in the source named), *assumed* (chosen inside
published or commonly stated limits) or *invented* (plausible, no support). *From memory* is said where a
source was not at hand.
"""

from dataclasses import dataclass, field, fields, replace

MONTHS_OFF_THERAPY = 24 * 7 / 30.4375  # 24 weeks: back on the untreated path (Price 1999, published)
COMMON_SIZES = (0.20, 0.45, 0.30, 0.05)


@dataclass(frozen=True, slots=True)
class ZoneTruth:
    """What is true of one zone.

    `plateau_yield` percent of planted hairs in the end, `half_month` months to half of that, `shape` of the
    emergence curve; native hairs/cm2 before the first session (mean, and SD between regions); area in cm2 and
    planted FU/cm2 (mean, SD); `sizes` shares of grafts of 1, 2, 3 and 4 hairs.
    """

    plateau_yield: float
    half_month: float
    shape: float
    native_density: float
    native_sd: float
    area_cm2: float
    area_sd: float
    planted_fu_cm2: float
    sizes: tuple[float, float, float, float]
    planted_fu_sd: float = 5.0


def _zones() -> dict[str, ZoneTruth]:
    return {
        "hairline": ZoneTruth(87.0, 5.5, 4.0, 18.0, 7.0, 15.0, 2.5, 33.0, (0.58, 0.35, 0.07, 0.0)),
        "frontal": ZoneTruth(87.0, 5.5, 4.0, 42.0, 13.0, 36.0, 7.0, 32.0, COMMON_SIZES),
        "temples": ZoneTruth(86.0, 5.6, 4.0, 35.0, 10.0, 8.0, 1.3, 28.0, (0.65, 0.32, 0.03, 0.0)),
        "midscalp": ZoneTruth(86.0, 6.0, 4.0, 58.0, 15.0, 42.0, 8.0, 29.0, COMMON_SIZES),
        "crown": ZoneTruth(83.0, 7.8, 4.2, 38.0, 13.0, 46.0, 10.0, 28.0, COMMON_SIZES),
    }


def _attendance() -> dict[int, float]:
    return {1: 0.85, 3: 0.75, 6: 0.68, 9: 0.62, 12: 0.64, 15: 0.45, 18: 0.50, 24: 0.35}


def _events() -> dict[str, float]:
    return {
        "folliculitis": 0.08,
        "infection": 0.003,
        "necrosis": 0.001,
        "effluvium": 0.05,
        "oedema": 0.06,
        "numbness": 0.04,
        "dislodged grafts": 0.003,
        "wide scar": 0.012,
        "cyst": 0.01,
    }


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything that is true of an invented clinic.

    `register` draws from it and hands the latent values of each placement back beside the tables, so that
    an estimate can be held against what it estimates. Fields ending in `pct` are percent, `cv`, rates and
    shares 0 to 1; effects on the plateau are points of planted hairs; SDs of log tempo are on the natural
    log.
    """

    zones: dict[str, ZoneTruth] = field(default_factory=_zones)
    curve: str = "log-logistic"  # or another of simulate.CURVES
    failed_growth: int = 0  # number of placements that fail without a found cause
    failed_plateau: float = 3.0

    poor_growth: float = 0.0  # share of placements with a plateau anywhere from 0 to poor_growth_below
    poor_growth_below: float = 60.0

    plateau_law: str = "normal"  # or "beta": bounded by plateau_top, same mean and SD
    plateau_top: float = 100.0
    plateau_sd_patient: float = 7.0
    plateau_sd_placement: float = 6.0
    plateau_with_tempo: float = 0.0  # correlation of a patient's yield and log tempo (slow and full: above 0)
    log_tempo_sd_patient: float = 0.12
    log_tempo_sd_placement: float = 0.08

    per_fu_above_35: float = -0.25  # points a FU/cm2
    per_hour_above_4: float = -1.0  # points an hour out of body
    repeat_session: float = -3.0
    smoker: float = -4.0
    scar: float = -6.0
    medium: dict[str, float] = field(default_factory=lambda: {"saline": 0.0, "buffered": 2.0})
    medium_changes_in_month: int = 22  # the first month of quarter 8
    surgeon: dict[str, float] = field(default_factory=lambda: {"S1": 0.0, "S2": 0.0, "S3": -2.0, "S4": 0.0})
    method: dict[str, float] = field(default_factory=lambda: {"FUT": 0.0, "FUE": 0.0, "combined": 0.0})

    native_loss_pct: float = 4.8  # a year, untreated
    native_loss_sd: float = 1.0  # between patients
    therapy_first_year_pct: float = 9.8
    therapy_later_pct: float = -1.3
    therapy_share: float = 0.45
    therapy_stops_a_year: float = 0.15
    native_per_class_step: float = -0.05  # share of native density, a class
    shed_native_pct: float = 0.0  # native hair shed by surgery, back by month 9; off

    phi: float = 1.5
    within_cv: float = 0.05
    between_reader_cv: float = 0.045
    readers_centred: bool = True  # the practice's mean reader reads true
    clinic_habit_pct: float = 0.0  # what the whole clinic reads above the truth
    readers: dict[str, float] = field(default_factory=lambda: {"R1": 0.5, "R2": 0.3, "R3": 0.2})
    reader_changes: float = 0.06  # share of counts by another than the patient's usual reader
    planted_count_cv: float = 0.06
    region_spread_cv: float = 0.20  # a region's planted density about its zone's average
    region_denser_pct: float = 0.0  # a region chosen where grafts stand densest; off
    area_trace_cv: float = 0.0  # error of a traced area; off
    planted_counted: float = 0.75  # share of placements counted in the region after planting
    marked: float = 0.6  # share of regions
    fields_unmarked: tuple[int, ...] = (1, 2, 3)
    duplicates: float = 0.08  # share of counts repeated at the same visit
    duplicates_by_other: float = 0.5  # of these, by another reader
    season_pct: float = 1.5  # half the swing of countable hair over a year, lowest in July
    long_hair_pct: float = -5.0  # what long hair hides
    long_hair: float = 0.08  # share of people counted with long hair
    length_changes: float = 0.04  # share of counts at another length than usual
    cut_off_changes_in_month: int = 0  # until then hair from 40 micrometres, from then on all; 0: never
    fine_hair_pct: float = 31.0  # native hair finer than 40 micrometres, over that which is not
    not_standard: float = 0.06  # share of attendances with failed photographs
    not_standard_bias_pct: float = -5.0
    not_standard_cv: float = 0.08
    device_changes_in_month: int = 0  # from then on D2; 0: never
    other_device: float = 0.0  # share of attendances read on D2
    device_repeats: float = 0.0  # share of counts repeated on the other device
    device_pct: float = 4.0  # what D2 reads above D1
    calibres: float = 0.35  # share of regions where calibre and units are recorded

    attendance: dict[int, float] = field(default_factory=_attendance)  # by planned month
    jitter_months: float = 0.45
    stays_away_when_far: float = 0.25  # logit a SD from the usual result, either way
    returns_when_good: float = 0.0  # logit a SD
    no_baseline: float = 0.03
    withdraws: float = 0.01  # a visit
    region_missed: float = 0.03
    answers: float = 0.65

    second_session: float = 0.42
    replants: float = 0.28  # share of second sessions that plant a zone of the first again
    gap_months: tuple[float, float] = (9.0, 16.0)
    surgeons: dict[str, float] = field(default_factory=lambda: {"S1": 0.45, "S2": 0.33, "S3": 0.22})
    low_volume_cases: int = 0  # sessions by S4
    fue: float = 0.65
    combined: float = 0.01
    transected: dict[str, float] = field(
        default_factory=lambda: {"FUT": 0.03, "FUE": 0.049, "combined": 0.04}
    )
    transected_logit_sd: float = 0.25  # between sessions
    follicles_counted: float = 0.0  # share of sessions whose follicles are classed at dissection
    partly_cut: float = 0.6  # of the follicles cut, share with a part left
    drifting_surgeon: str = "S2"
    drift_from_quarter: int = 7
    drift_logit_a_quarter: float = 0.14
    graft_from_attempt: float = 0.95
    controls: float = 0.2  # share of patients with an unplanted control region
    donor_counts: float = 0.3
    split_scalp: float = 0.0  # share of patients whose mid-scalp is planted in two halves, media compared

    events: dict[str, float] = field(default_factory=_events)  # a session
    complications_asked: float = 0.88
    told_unasked: float = 0.0  # share of complications nobody asked about that are recorded all the same

    @property
    def tempo_ratio(self) -> float:
        """Return the ratio of half months, crown over front."""
        return self.zones["crown"].half_month / self.zones["frontal"].half_month


def plain(truth: Truth | None = None) -> Truth:
    """Return the truth with everything switched off that is not curve, spread, native loss or counting error.

    For studies of estimators: one session per patient, everyone attends, no therapy, no covariate effects, no
    reader, season, hair-length or photograph effects, one native loss rate.

    Parameters
    ----------
    truth
        The truth to be made plain; the usual one if not given.

    Returns
    -------
    Truth
        A copy.

    Examples
    --------
    >>> set(plain().attendance.values())
    {1.0}
    """
    base = truth or Truth()
    off = {name: type(getattr(base, name))(0) for name in SWITCHED_OFF}
    return replace(
        base,
        **off,
        medium=dict.fromkeys(base.medium, 0.0),
        surgeon=dict.fromkeys(base.surgeon, 0.0),
        method=dict.fromkeys(base.method, 0.0),
        attendance=dict.fromkeys(base.attendance, 1.0),
    )


SWITCHED_OFF = (
    "failed_growth poor_growth per_fu_above_35 per_hour_above_4 repeat_session smoker scar native_loss_sd "
    "therapy_share "
    "native_per_class_step between_reader_cv season_pct long_hair length_changes not_standard other_device "
    "device_changes_in_month cut_off_changes_in_month follicles_counted device_repeats "
    "stays_away_when_far returns_when_good no_baseline withdraws "
    "region_missed second_session replants drift_logit_a_quarter duplicates controls donor_counts split_scalp"
).split()


ZONE_BASIS = {
    "plateau_yield": (
        "assumed",
        "inside the pooled 78.9 to 91.1 % (Stoneburner 2020, Aesthetic Plast Surg); crown lower, no source",
    ),
    "half_month": (
        "assumed",
        "inside practitioners' opinion (full growth: front 12, crown 15 to 18 months)",
    ),
    "shape": ("assumed", "so that the curve passes within 3 points of those tables"),
    "native_density": ("invented", "no measured density of balding zones was found"),
    "native_sd": ("invented", ""),
    "area_cm2": ("invented", "no measured table of zone areas was found"),
    "area_sd": ("invented", ""),
    "planted_fu_cm2": (
        "assumed",
        "inside 15 to 60 FU/cm2 (texts on dense packing: Wong 2010; Nakatsui 2008)",
    ),
    "planted_fu_sd": ("invented", ""),
    "sizes": ("assumed", "20/45/30/5 % of 1 to 4 hairs (practitioner text); hairline and temples invented"),
}
PRICE = "Price 2006, J Am Acad Dermatol 55:71-4"
KAUFMAN = "Kaufman 2008, Eur J Dermatol 18:407-11"
READER_STUDY = "two-point phototrichogram, 7 volunteers, 3 dermatologists (university record 158519)"
COHORT = (
    "odds ratios 1.77 in summer, 4.82 from 4,000 grafts on: cohort of 1,317, doi 10.1097/PRS.0000000000011175"
)
BASIS = {
    "zones": ("assumed", "each value in the table of zones"),
    "curve": ("assumed", "no measured emergence curve by zone was found"),
    "failed_growth": ("invented", "poor growth without a found cause is described, without a rate"),
    "failed_plateau": ("invented", ""),
    "poor_growth": ("invented", "poor growth is described, without a rate; off"),
    "poor_growth_below": ("invented", ""),
    "plateau_law": ("assumed", "no measured distribution of yields was found"),
    "plateau_top": (
        "assumed",
        "follicles planted cannot give more hairs; readings above 100 % are published",
    ),
    "plateau_sd_patient": (
        "assumed",
        "published SDs of yield 3.2 to 4.5 points (one trial) and a range of 20 points",
    ),
    "plateau_sd_placement": ("assumed", "as above"),
    "plateau_with_tempo": ("invented", "off"),
    "log_tempo_sd_patient": ("assumed", "no source"),
    "log_tempo_sd_placement": ("invented", ""),
    "per_fu_above_35": ("assumed", "studies disagree: 72.5 to 98 % at 30 FU/cm2"),
    "per_hour_above_4": (
        "assumed",
        "shallow slope below 6 to 8 hours (Kim 2002, Ann Dermatol 14(3), culture)",
    ),
    "repeat_session": ("assumed", "opinion only (Beehner 2005, quoted)"),
    "smoker": ("assumed", "opinion only"),
    "scar": ("assumed", "80.67 % in scars (Yoo 2019, Biomed Res Int 3423657)"),
    "medium": ("invented", "no difference below 8 hours was shown (Beehner, own summary)"),
    "medium_changes_in_month": ("invented", ""),
    "surgeon": ("invented", ""),
    "method": ("invented", "side-by-side series disagree"),
    "native_loss_pct": ("assumed", f"between 3.7 ({PRICE}) and 5.9 ({KAUFMAN}), both computed a year"),
    "native_loss_sd": ("invented", ""),
    "therapy_first_year_pct": (
        "published",
        "finasteride trials, counts at one year (from memory, high confidence)",
    ),
    "therapy_later_pct": (
        "published",
        "same trials, counts at one and five years (from memory, high confidence)",
    ),
    "therapy_share": ("invented", ""),
    "therapy_stops_a_year": ("invented", ""),
    "native_per_class_step": ("invented", ""),
    "shed_native_pct": ("assumed", "described, no rate published; off"),
    "phi": (
        "published",
        "1.0 to 1.5 computed from unit sizes (Guo 2017, Plast Aesthet Res 4:150-4, Table 3)",
    ),
    "within_cv": ("assumed", f"inside 2.6 to 9.8 %: {READER_STUDY}"),
    "between_reader_cv": ("assumed", f"inside 2.9 to 6.3 %: {READER_STUDY}"),
    "readers_centred": ("invented", ""),
    "clinic_habit_pct": ("invented", f"off; between-reader CV 2.9 to 6.3 %: {READER_STUDY}"),
    "readers": ("invented", ""),
    "reader_changes": ("invented", ""),
    "planted_count_cv": ("assumed", "common practice, no source"),
    "region_spread_cv": ("assumed", "common practice, no source: +/- 20 % where the zone's average is used"),
    "region_denser_pct": (
        "assumed",
        "described (a region is chosen where grafts stand densest), no size; off",
    ),
    "area_trace_cv": ("assumed", "no source; off"),
    "planted_counted": ("invented", ""),
    "marked": ("invented", ""),
    "fields_unmarked": ("invented", ""),
    "duplicates": ("invented", ""),
    "duplicates_by_other": ("invented", ""),
    "season_pct": ("assumed", "telogen highest in summer (Kunz 2009, Dermatology 219:105-10); size invented"),
    "long_hair_pct": ("invented", ""),
    "long_hair": ("invented", ""),
    "length_changes": ("invented", ""),
    "cut_off_changes_in_month": ("invented", "off"),
    "fine_hair_pct": (
        "published",
        "237 against 181 hairs/cm2 with and without fine hair (Rushton 1993, Acta Derm Venereol 73:150-3)",
    ),
    "not_standard": ("invented", ""),
    "not_standard_bias_pct": (
        "invented",
        "wet or oily hair shows more scalp (Dermatol Clin 1996); size invented",
    ),
    "not_standard_cv": ("invented", ""),
    "device_changes_in_month": ("invented", "off"),
    "other_device": ("invented", ""),
    "device_repeats": ("invented", ""),
    "device_pct": ("invented", "enlargement alone can shift counts by 27 % (Skin Pharmacol 1994;7:67)"),
    "calibres": ("invented", ""),
    "attendance": (
        "assumed",
        "no source; 37 and 65 % answered in two surveys (the first Loganathan 2014)",
    ),
    "jitter_months": ("invented", ""),
    "stays_away_when_far": ("invented", "direction assumed: the happy or the angry return"),
    "returns_when_good": ("invented", "off"),
    "no_baseline": ("invented", ""),
    "withdraws": ("invented", ""),
    "region_missed": ("invented", ""),
    "answers": ("published", "the higher of 37 and 65 % of those asked"),
    "second_session": ("invented", ""),
    "replants": ("invented", ""),
    "gap_months": (
        "assumed",
        "wait at least 8 to 12 months (Bernstein & Rassman 1997, Dermatol Surg 23:771-84)",
    ),
    "surgeons": ("invented", ""),
    "low_volume_cases": ("invented", ""),
    "fue": ("invented", "48.5 % of procedures in 2014 (member census)"),
    "combined": ("invented", ""),
    "transected": (
        "published",
        "FUE 4.9 % (Shin 2014, J Am Acad Dermatol, quoted); strip up to 3 % (textbook)",
    ),
    "transected_logit_sd": ("invented", ""),
    "follicles_counted": ("invented", "off"),
    "partly_cut": ("invented", ""),
    "drifting_surgeon": ("invented", ""),
    "drift_from_quarter": ("invented", ""),
    "drift_logit_a_quarter": ("invented", ""),
    "graft_from_attempt": ("published", "95 % (Shin 2014, quoted)"),
    "controls": ("invented", ""),
    "donor_counts": ("invented", ""),
    "split_scalp": ("invented", ""),
    "events": (
        "assumed",
        f"folliculitis 8 % inside 1.0 to 23.3 %, {COHORT}; others near Garg 2021 or Salanitri 2009",
    ),
    "complications_asked": ("invented", ""),
    "told_unasked": ("invented", "off"),
}


def markdown(truth: Truth) -> str:
    """Return the settings of an invented clinic as two tables: of the zones, and of all else."""
    names = list(truth.zones)
    lines = ["| of a zone | " + " | ".join(names) + " | basis |", "|" + " --- |" * (len(names) + 2)]
    for f in fields(ZoneTruth):
        values = " | ".join(_words(getattr(truth.zones[z], f.name)) for z in names)
        lines.append(f"| `{f.name}` | {values} | {_basis(ZONE_BASIS[f.name])} |")
    lines += ["", "| setting | value | basis |", "| --- | --- | --- |"]
    for f in fields(Truth):
        if f.name != "zones":
            lines.append(f"| `{f.name}` | {_words(getattr(truth, f.name))} | {_basis(BASIS[f.name])} |")
    return "\n".join(lines) + "\n"


def _basis(entry: tuple[str, str]) -> str:
    return ": ".join(part for part in entry if part)


def _words(value) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{k} {_words(v)}" for k, v in value.items())
    if isinstance(value, tuple):
        return ", ".join(_words(v) for v in value)
    return f"{value:g}" if isinstance(value, float) else str(value)
