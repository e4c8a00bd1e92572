"""What contradicts itself in a placement: sizes of grafts and their sums, density, sides and method."""

import pandas as pd

from analytics.records.derive import SIZES, counted
from analytics.records.rules.patients import HAIRS_PER_GRAFT
from analytics.records.rules.rule import NEAR, Register, Rule, by_session, outside

PLANTED_GRAFTS_CM2 = (1.0, 100.0)  # published range 10 to 72; a margin assumed
USUAL_PLANTED_GRAFTS_CM2 = (15.0, 60.0)  # published: see dictionary, roi_planted_hairs_cm2
ROI_OVER_ZONE = 3.0  # assumed: beyond this ratio a unit is likelier than a steep gradient
PLACE = ["session_id", "zone"]


def _sizes(register: Register) -> pd.DataFrame:
    return register.given["placements"][[f"grafts_{n}" for n in SIZES]]


def _has_sizes(register: Register) -> pd.Series:
    return _sizes(register).notna().any(axis=1)


def _without_hairs(register: Register) -> pd.Series:
    placements = register.tables["placements"]
    return (placements["grafts"].isna() | placements["hairs"].isna()) & ~_has_sizes(register)


def _size_empty(register: Register) -> pd.Series:
    return _has_sizes(register) & _sizes(register).isna().any(axis=1)


def _grafts_contradict(register: Register) -> pd.Series:
    stated = register.given["placements"]["grafts"]
    grafts, _ = counted(register.given["placements"])
    return _has_sizes(register) & stated.ne(grafts) & stated.notna()


def _hairs_contradict(register: Register) -> pd.Series:
    given = register.given["placements"]
    _, hairs = counted(given)
    too_few = _has_sizes(register) & (given["hairs"] < hairs - NEAR)
    return too_few | (given["hairs"] > hairs + given["grafts_4"].fillna(0) + NEAR)


def _hairs_per_graft(register: Register) -> pd.Series:
    placements = register.tables["placements"]
    return outside(placements["hairs"] / placements["grafts"], HAIRS_PER_GRAFT)


def _density_outside(register: Register, limits: tuple[float, float]) -> pd.Series:
    placements = register.tables["placements"]
    return outside(placements["grafts"] / placements["area_cm2"], limits)


def _unusual_density(register: Register) -> pd.Series:
    return _density_outside(register, USUAL_PLANTED_GRAFTS_CM2) & ~_density_outside(
        register, PLANTED_GRAFTS_CM2
    )


def _roi_against_zone(register: Register) -> pd.Series:
    placements = register.tables["placements"]
    ratio = placements["roi_planted_hairs_cm2"] * placements["area_cm2"] / placements["hairs"]
    return outside(ratio, (1 / ROI_OVER_ZONE, ROI_OVER_ZONE))


def _is_placed(placements: pd.DataFrame) -> pd.Series:
    return placements[PLACE].notna().all(axis=1)


def _zone_twice(register: Register) -> pd.Series:
    placements = register.tables["placements"]
    return placements[[*PLACE, "site"]].duplicated() & _is_placed(placements)


def _whole_and_side(register: Register) -> pd.Series:
    placements = register.tables["placements"]
    whole = placements["site"].eq("whole")
    has_side = (~whole).groupby([placements[k] for k in PLACE]).transform("any")
    return whole & ~_zone_twice(register) & _is_placed(placements) & has_side


def _method_against_session(register: Register) -> pd.Series:
    placements = register.tables["placements"]
    of_session = placements["session_id"].map(by_session(register.tables["sessions"], "method"))
    own = placements["method"]
    return of_session.isin(["FUT", "FUE"]) & own.notna() & own.ne(of_session)


RULES = (
    Rule(
        "no_hairs",
        "placements.hairs",
        _without_hairs,
        "placement has neither grafts by size nor hairs",
        "placements have neither grafts by size nor hairs",
        "give grafts_1 to grafts_4, or grafts and hairs",
        "fill in the counts",
        needs=("placements.session_id",),
    ),
    Rule(
        "size_empty",
        "placements.grafts_1",
        _size_empty,
        "placement has grafts of some sizes and empty cells for others",
        "placements have grafts of some sizes and empty cells for others",
        "an empty size is read as none",
        "write 0 where none were planted",
        "warning",
    ),
    Rule(
        "grafts_contradict",
        "placements.grafts",
        _grafts_contradict,
        "placement has grafts that are not the sum of its sizes",
        "placements have grafts that are not the sum of their sizes",
        "grafts is grafts_1 + grafts_2 + grafts_3 + grafts_4",
        "mend grafts or the sizes",
    ),
    Rule(
        "hairs_contradict",
        "placements.hairs",
        _hairs_contradict,
        "placement has hairs that its sizes contradict",
        "placements have hairs that their sizes contradict",
        "hairs is grafts_1 + 2 x grafts_2 + 3 x grafts_3 + 4 x grafts_4, and up to one more for each of "
        "grafts_4",
        "mend hairs or the sizes",
    ),
    Rule(
        "hairs_per_graft",
        "placements.hairs",
        _hairs_per_graft,
        "placement has an impossible number of hairs a graft",
        "placements have an impossible number of hairs a graft",
        f"hairs over grafts is {HAIRS_PER_GRAFT[0]:g} to {HAIRS_PER_GRAFT[1]:g}",
        "look whether grafts and hairs were swapped",
    ),
    Rule(
        "planted_density",
        "placements.area_cm2",
        lambda r: _density_outside(r, PLANTED_GRAFTS_CM2),
        "placement is impossibly thin or dense",
        "placements are impossibly thin or dense",
        f"grafts over area_cm2 is {PLANTED_GRAFTS_CM2[0]:g} to {PLANTED_GRAFTS_CM2[1]:g}",
        "look at grafts and at the unit of the area",
    ),
    Rule(
        "unusual_planted_density",
        "placements.area_cm2",
        _unusual_density,
        "placement is unusually thin or dense",
        "placements are unusually thin or dense",
        f"usual is {USUAL_PLANTED_GRAFTS_CM2[0]:g} to {USUAL_PLANTED_GRAFTS_CM2[1]:g} grafts/cm2",
        "look at grafts and area again",
        "warning",
    ),
    Rule(
        "roi_against_zone",
        "placements.roi_planted_hairs_cm2",
        _roi_against_zone,
        "region was planted three times as densely as its zone, or a third",
        "regions were planted three times as densely as their zone, or a third",
        "roi_planted_hairs_cm2 is in hairs, like hairs over area_cm2",
        "look whether grafts were counted instead of hairs",
        "warning",
    ),
    Rule(
        "zone_twice",
        "placements.zone",
        _zone_twice,
        "placement repeats a zone and site of its session",
        "placements repeat a zone and site of their session",
        "what one session put in one zone and site is one row",
        "join the rows",
    ),
    Rule(
        "whole_and_side",
        "placements.site",
        _whole_and_side,
        "placement is of a whole zone that also has sides",
        "placements are of a whole zone that also has sides",
        "a zone is planted as a whole or by sides",
        "write left and right, or join the rows as whole",
    ),
    Rule(
        "method_against_session",
        "placements.method",
        _method_against_session,
        "placement has a method that its session excludes",
        "placements have a method that their session excludes",
        "only a combined session holds placements of both methods",
        "mend the method, or write the session's as combined",
    ),
)
