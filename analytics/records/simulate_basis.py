"""Where every setting of the invented clinic comes from: published, assumed or invented.

*Published*: the value or its range stands in the source named. *Assumed*: chosen inside published or commonly
stated limits. *Invented*: plausible, no support. *From memory* is said where a source was not at hand.
"""

from dataclasses import fields

from analytics.records.simulate_truth import Truth, ZoneTruth

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
    "plateau_sd_patient": (
        "assumed",
        "published SDs of yield 3.2 to 4.5 points (one trial) and a range of 20 points",
    ),
    "plateau_sd_placement": ("assumed", "as above"),
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
