"""The stated truth that an invented register is drawn from.

Every number here is a setting of an invented clinic. The comment beside it says where it comes from:
*published* (with the source), *assumed* (a choice inside published or commonly stated limits, no source
of its own) or *invented* (no support; it only has to be plausible). Nothing here describes a real
practice.
"""

from dataclasses import dataclass, field, replace

MONTHS_OFF_THERAPY = 24 * 7 / 30.4375  # 24 weeks: back on the untreated path (Price 1999, published)


@dataclass(frozen=True, slots=True)
class ZoneTruth:
    """What is true of one zone.

    `plateau_yield` percent of planted hairs in the end, `half_month` months to half of that, `shape` of
    the emergence curve; native hairs/cm2 before the first session (mean, and SD between regions); area in
    cm2 and planted FU/cm2 (mean, SD); `sizes` shares of grafts of 1, 2, 3 and 4 hairs.
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
    # plateau: assumed, 83 to 87 inside the pooled 78.9 to 91.1 % (Stoneburner 2020); crown 3 points
    # lower: assumed. half months: assumed, inside the opinion table (front 5.5, mid-scalp 6.0, crown
    # 7.8). Shapes: assumed so that the curves pass through that table. Native densities, areas: invented
    # (no measured table by zone). Planted FU/cm2: assumed, inside 15 to 60. Graft sizes of mid-scalp,
    # crown and frontal: 20/45/30/5 % (practitioner text); of hairline and temples: invented.
    common = (0.20, 0.45, 0.30, 0.05)
    return {
        "hairline": ZoneTruth(87.0, 5.5, 4.0, 18.0, 7.0, 15.0, 2.5, 33.0, (0.58, 0.35, 0.07, 0.0)),
        "frontal": ZoneTruth(87.0, 5.5, 4.0, 42.0, 13.0, 36.0, 7.0, 32.0, common),
        "temples": ZoneTruth(86.0, 5.6, 4.0, 35.0, 10.0, 8.0, 1.3, 28.0, (0.65, 0.32, 0.03, 0.0)),
        "midscalp": ZoneTruth(86.0, 6.0, 4.0, 58.0, 15.0, 42.0, 8.0, 29.0, common),
        "crown": ZoneTruth(83.0, 7.8, 4.2, 38.0, 13.0, 46.0, 10.0, 28.0, common),
    }


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything that is true of an invented clinic.

    `register` draws from it and hands the latent values of each placement back beside the tables, so that
    an estimate can be held against what it estimates. Percent are percent of planted hairs unless said
    otherwise.
    """

    zones: dict[str, ZoneTruth] = field(default_factory=_zones)
    curve: str = "log-logistic"  # or "log-normal", "weibull", "gamma" (assumed: no published curve by zone)

    failed_growth: int = 0  # placements that fail for no found cause, for the demo
    failed_plateau: float = 3.0

    # Spread. 7 and 6 points: assumed, inside published SDs of 3 to 10. Log tempo 0.12: assumed; 0.08:
    # invented.
    plateau_sd_patient: float = 7.0
    plateau_sd_placement: float = 6.0
    log_tempo_sd_patient: float = 0.12
    log_tempo_sd_placement: float = 0.08

    # What lowers or raises the plateau, in points. All assumed or invented: no counted effect was found,
    # save that a shallow slope of time out of body below 6 hours is published (Kim 2002, culture).
    per_fu_above_35: float = -0.25
    per_hour_above_4: float = -1.0
    repeat_session: float = -3.0
    smoker: float = -4.0
    scar: float = -6.0
    medium: dict[str, float] = field(default_factory=lambda: {"saline": 0.0, "buffered": 2.0})
    medium_changes_in_month: int = 22  # invented: the first month of quarter 8
    surgeon: dict[str, float] = field(default_factory=lambda: {"S1": 0.0, "S2": 0.0, "S3": -2.0, "S4": 0.0})
    method: dict[str, float] = field(default_factory=lambda: {"FUT": 0.0, "FUE": 0.0, "combined": 0.0})

    # Native hair. 4.8 % a year: assumed, between the published 3.7 (Price 2006, 192 weeks) and 5.9
    # (Kaufman 2008, 5 years). On therapy +9.8 % in the first year, then -1.3 % a year: counts of the
    # finasteride trials at one and five years (from memory, high confidence). Back on the untreated path
    # 24 weeks after stopping: published (Price 1999).
    native_loss_pct: float = 4.8
    native_loss_sd: float = 1.0  # between patients, invented
    therapy_first_year_pct: float = 9.8
    therapy_later_pct: float = -1.3
    therapy_share: float = 0.45  # invented
    therapy_stops_a_year: float = 0.15  # invented
    native_per_class_step: float = -0.05  # share of native density lost a class step, invented
    shed_native_pct: float = (
        0.0  # share of native hair shed by surgery, back by month 9; off (no rate published)
    )

    # Counting. phi: 1.0 to 1.5 computed from unit sizes (Guo 2017). Within-reader CV 5 %: assumed inside
    # the published 2.6 to 9.8 %; between readers 4.5 %: inside 2.9 to 6.3 %. The planted count's error in
    # the region 6 %: assumed; a region's own planted density about its zone's average 20 %: assumed;
    # tracing error of an area: off.
    phi: float = 1.5
    within_cv: float = 0.05
    between_reader_cv: float = 0.045
    readers: dict[str, float] = field(default_factory=lambda: {"R1": 0.5, "R2": 0.3, "R3": 0.2})
    reader_changes: float = 0.06  # share of counts by another reader than the region's own, invented
    planted_count_cv: float = 0.06
    region_spread_cv: float = 0.20
    region_denser_pct: float = 0.0  # a region chosen where grafts stand densest; off
    area_trace_cv: float = 0.0
    planted_counted: float = 0.75  # share of placements with a count in the region, invented
    marked: float = 0.6  # share of regions marked, invented
    fields_unmarked: tuple[int, ...] = (1, 2, 3)
    duplicates: float = 0.08  # share of counts repeated at the same visit, invented
    duplicates_by_other: float = 0.5  # of these, by another reader, invented
    season_pct: float = (
        1.5  # half swing of countable hair over the year, lowest in summer; size invented (Kunz 2009)
    )
    long_hair_pct: float = -5.0  # what long hair hides, invented
    long_hair: float = 0.08  # share of people counted with long hair, invented
    length_changes: float = 0.04
    not_standard: float = 0.06  # share of attendances with failed photographs, invented
    not_standard_bias_pct: float = -5.0
    not_standard_cv: float = 0.08
    device_changes_in_month: int = 0  # 0: never; else D2 from that month on
    other_device: float = 0.0  # share of attendances read on D2
    device_repeats: float = 0.0  # share of counts repeated on the other device
    device_pct: float = 4.0  # what D2 reads above D1, invented
    calibres: float = 0.35  # share of regions where calibre and units are recorded too, invented

    # Follow-up. Attendance by planned month: assumed. Fewer come back whose result lies far from the usual.
    attendance: dict[int, float] = field(
        default_factory=lambda: {1: 0.85, 3: 0.75, 6: 0.68, 9: 0.62, 12: 0.64, 15: 0.45, 18: 0.50, 24: 0.35}
    )
    jitter_months: float = 0.45
    stays_away_when_far: float = 0.25  # logit a SD from the usual result, in either direction
    returns_when_good: float = 0.0  # logit a SD, one-sided
    no_baseline: float = 0.03
    withdraws: float = 0.01  # a visit
    region_missed: float = 0.03
    answers: float = 0.65  # published 37 and 65 % of those asked (section on follow-up), the higher one

    # What is done.
    second_session: float = 0.42  # invented
    replants: float = 0.28  # of second sessions, share that plant a zone of the first again, invented
    gap_months: tuple[float, float] = (9.0, 16.0)  # published wait 8 to 12 months at least (Bernstein 1997)
    surgeons: dict[str, float] = field(default_factory=lambda: {"S1": 0.45, "S2": 0.33, "S3": 0.22})
    low_volume_cases: int = 0  # sessions by S4
    fue: float = 0.65
    combined: float = 0.01
    transected: dict[str, float] = field(  # FUE 4.9 % (Shin 2014), strip up to 3 % (textbook)
        default_factory=lambda: {"FUT": 0.03, "FUE": 0.049, "combined": 0.04}
    )
    transected_logit_sd: float = 0.25  # between sessions, invented
    drifting_surgeon: str = "S2"
    drift_from_quarter: int = 7
    drift_logit_a_quarter: float = 0.14  # invented
    graft_from_attempt: float = 0.95  # Shin 2014
    controls: float = 0.2  # share of patients with an unplanted control region, invented
    donor_counts: float = 0.3
    split_scalp: float = 0.0  # share of patients whose mid-scalp is planted in two halves, media compared

    # What goes wrong, a session. Folliculitis 8 %: assumed (published 1.0 to 23.3 %) with the odds ratios
    # of the 1,317-patient cohort (summer 1.77, 4,000 grafts 4.82, above 45 a cm2 2.15). Infection,
    # necrosis: assumed near 0.2 and 0.1 %. Effluvium 5 %: opinion. The rest near Garg 2021 or Salanitri
    # 2009.
    events: dict[str, float] = field(
        default_factory=lambda: {
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
    )
    complications_asked: float = 0.88

    @property
    def tempo_ratio(self) -> float:
        """Return the ratio of half months, crown over front."""
        return self.zones["crown"].half_month / self.zones["frontal"].half_month


def plain(truth: Truth | None = None) -> Truth:
    """Return the truth with everything switched off that is not curve, spread, native loss or counting error.

    For studies of estimators: one session a patient, everyone attends, no therapy, no covariate effects,
    no reader, season, hair-length or photograph effects, one native loss rate.
    """
    base = truth or Truth()
    zero = {"S1": 0.0, "S2": 0.0, "S3": 0.0, "S4": 0.0}
    return replace(
        base,
        per_fu_above_35=0.0,
        per_hour_above_4=0.0,
        repeat_session=0.0,
        smoker=0.0,
        scar=0.0,
        medium=dict.fromkeys(base.medium, 0.0),
        surgeon=zero,
        method=dict.fromkeys(base.method, 0.0),
        native_loss_sd=0.0,
        therapy_share=0.0,
        native_per_class_step=0.0,
        between_reader_cv=0.0,
        season_pct=0.0,
        long_hair=0.0,
        length_changes=0.0,
        not_standard=0.0,
        attendance=dict.fromkeys(base.attendance, 1.0),
        stays_away_when_far=0.0,
        returns_when_good=0.0,
        no_baseline=0.0,
        withdraws=0.0,
        region_missed=0.0,
        second_session=0.0,
        replants=0.0,
        drift_logit_a_quarter=0.0,
        duplicates=0.0,
        controls=0.0,
        donor_counts=0.0,
        other_device=0.0,
        device_repeats=0.0,
        device_changes_in_month=0,
        failed_growth=0,
    )
