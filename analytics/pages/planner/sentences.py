"""The words of the session planner: does a draft fit the donor, and does it reach the densities aimed at?"""

import numpy as np
import pandas as pd
from markupsafe import Markup

from analytics import dictionary, numbers
from analytics.numbers import of_100, readable
from analytics.pages import tables
from analytics.pages.page import Page, result_of
from analytics.results import Result, why_not

LEFT, SPENT, GRAFTS = "left for later sessions", "donor spent", "grafts"
CHANCE = "chance of reaching the target"
CHANCE_OF_ALL = "chance of reaching every target"


def headline(page: Page) -> str:
    """Return whether the drafts fit the donor, and then whether they reach their targets."""
    if why := why_not(result_of(page, "drafts")):
        return why
    table = result_of(page, "drafts").table()
    donor = table[table["zone"].eq("donor")].pivot(index="draft", columns="term", values="estimate")
    left = float((donor[LEFT] + donor[SPENT]).iloc[0])
    if not np.isfinite(left):
        fits = "Whether a draft fits the donor cannot be told: the donor has not been measured."
    else:
        fits = _fits(donor, left)
    reach = _reach(table)
    if reach and np.isfinite(left) and (donor[LEFT] < 0).all():
        reach = f"On growth alone, {reach}"
    return f"{fits} {numbers.title_case(reach)}".strip()


def _fits(donor: pd.DataFrame, left: float) -> str:
    over = [name for name, row in donor.iterrows() if row[LEFT] < 0]
    within = [name for name in donor.index if name not in over]
    spent = donor[SPENT].round()
    takes = ", ".join(f"draft {name} takes {n:,.0f}" for name, n in spent.items())
    if len(donor) > 1 and spent.nunique() == 1:
        takes = f"each takes {spent.iloc[0]:,.0f}"
    if len(donor) == 1:
        verdict, takes = (
            "The draft fits" if within else "The draft does not fit",
            f"it takes {spent.iloc[0]:,.0f}",
        )
    elif not over:
        verdict = "Both drafts fit" if len(donor) == 2 else "All drafts fit"
    elif not within:
        verdict = "Neither draft fits" if len(donor) == 2 else "No draft fits"
    else:
        verdict = f"Of the drafts {_listed(within)} alone {'fits' if len(within) == 1 else 'fit'}"
    held = f"{left:,.0f} are left under your limit" if left >= 0 else _passed(left)
    return f"{verdict} the donor: {takes} follicular units; {held}."


def _passed(left: float) -> str:
    return f"earlier sessions have passed your limit by {-left:,.0f}"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _zone(zone: str) -> str:
    return f"{readable(zone)} zone" if zone in ("frontal", "other") else readable(zone)


def _reach(table: pd.DataFrame) -> str:
    """Return in how many of 100 such patients each draft reaches all its targets, where it has two or more.

    Where a zone of one draft cannot be told, zone by zone.
    """
    of_all = table[table["term"].eq(CHANCE_OF_ALL)]
    if len(of_all) and of_all["estimate"].notna().all():
        said = of_all.set_index("draft")["estimate"].sort_values(ascending=False, kind="stable").map(of_100)
        best, chance = said.index[0], said.iloc[0]
        reached = f"{targets(table)} would be reached in {chance} such patients"
        if len(said) > 1 and said.nunique() == 1:
            return f"{reached} with {'either' if len(said) == 2 else 'any'} draft.{_untold(table)}"
        others = [
            f"with draft {name} in {one.removesuffix(' of 100')}" for name, one in said.iloc[1:].items()
        ]
        if chance in said.iloc[1:].to_numpy() or not others:  # none is better than all others
            return f"{reached} with draft {best}{''.join(f', {one}' for one in others)}.{_untold(table)}"
        better = "better" if len(said) == 2 else "best"
        return f"draft {best} does {better}: {reached}, {_listed(others)}.{_untold(table)}"
    chances = table[table["term"].eq(CHANCE)]
    parts = [
        f"draft {name} would reach the target "
        + _listed(
            [f"in the {_zone(row.zone)} in {of_100(row.estimate)} such patients" for row in own.itertuples()]
        )
        for name, own in chances.groupby("draft", sort=False)
    ]
    return f"{'; '.join(parts)}.{_untold(table)}" if parts else _untold(table).strip()


def chance_parts(percent: float) -> tuple[str, str]:
    """Return a chance as a number and what it is of.

    >>> chance_parts(99.8)
    ('over 99', 'of 100 such patients')
    """
    value, _, rest = of_100(percent).partition(" of ")
    return value, f"of {rest} such patients"


def targets(table: pd.DataFrame) -> str:
    """Return the targets of a table of drafts by their number: *both targets*, *all 3 targets*."""
    n = table.loc[table["term"].eq("target"), "zone"].nunique()
    return "both targets" if n == 2 else f"all {n} targets"


def _untold(table: pd.DataFrame) -> str:
    """Return the zones of each draft that nothing can be predicted for: no headline passes over them."""
    ahead = table[table["term"].str.startswith("density at month")]
    known = ahead["estimate"].notna().groupby([ahead["draft"], ahead["zone"]], sort=False).any()
    said = []
    for name, own in known[~known].groupby(level="draft", sort=False):
        zones = [_zone(str(zone)) for _, zone in own.index]
        said.append(f" What draft {name} gives in the {_listed(zones)} cannot be told.")
    return "".join(said)


def split_in_words(page: Page) -> str:
    """Return what would fit the limit: how many grafts, divided how, and what that is expected to give."""
    if why := why_not(result_of(page, "split")):
        return why
    table = result_of(page, "split").table()
    if table["estimate"].isna().all():
        return str(table["flag"].iloc[0])
    wide = table.pivot(index="zone", columns="term", values="estimate")
    wide = wide.loc[table["zone"].drop_duplicates()]
    planted = wide[wide["grafts"].gt(0)]
    divided = ", ".join(f"{readable(zone)} {row['grafts']:,.0f}" for zone, row in planted.iterrows())
    divided = f"all in the {_zone(planted.index[0])}" if len(planted) == 1 else f"divided as {divided}"
    given = "; ".join(_given(str(zone), row) for zone, row in wide.iterrows())
    missed = wide[CHANCE].lt(50).all()
    none = {1: "The target is not", 2: "Neither target is"}.get(len(wide), "No target is")
    close = f" {none} likely to be reached so." if missed else ""
    total = wide["grafts"].sum()
    taken = total * per_graft(page)
    units = f" ({taken:,.0f} follicular units)" if np.isfinite(taken) else ""
    return f"{total:,.0f} grafts{units}, {divided}. Expected, hairs/cm²: {given}.{close}"


def _given(zone: str, row: pd.Series) -> str:
    """Return what a zone of the split is expected to have, against its target."""
    thins = "" if row["grafts"] else ", unplanted, where native hair goes on thinning"
    chance = f"reached in {of_100(row[CHANCE])} such patients"
    return f"{_zone(zone)}{thins}: {row['expected density']:.0f} of {row['target']:.0f} ({chance})"


def per_graft(page: Page) -> float:
    """Return how many follicular units of the donor a planted graft takes; NaN where that is not known."""
    found = result_of(page, "drafts")
    if why_not(found):
        return float("nan")
    donor = found.table().query("zone == 'donor'").groupby("term")["estimate"].sum()
    return float(donor[SPENT] / donor[GRAFTS])


def _leaves(left: float) -> str:
    size = f"{abs(left):,.0f} follicular unit{'' if abs(round(left)) == 1 else 's'}"
    return f"{size} left" if left >= 0 else f"your limit is passed by {size}"


def both_in_words(page: Page) -> str:
    """Return what the first draft and a later session would give together, and what they leave."""
    if why := why_not(result_of(page, "two")):
        return why
    table = result_of(page, "two").table()
    name = table["draft"].iloc[0]
    own = table[table["draft"].eq(name)].set_index(["term", "zone"])
    both = own.loc["after both sessions"].dropna(subset="estimate")
    gives = [
        f"{row['estimate']:,.0f}{'' if k else ' hairs/cm²'} in the {_zone(str(zone))}"
        for k, (zone, row) in enumerate(both.iterrows())
    ]
    left, more = (
        own.loc[(t, "donor"), "estimate"] for t in ("left after both", "grafts of the later session")
    )
    leaves = _leaves(left) if np.isfinite(left) else "what is left is not known"
    given = _listed(gives) if gives else "densities cannot be told"
    return f"Draft {name} and {more:,.0f} grafts later: {given}; {leaves}."


def in_short(page: Page) -> dict[str, str]:
    """Return the short answers of the folds: the split, the donor, what the drafts give, how surely."""
    split, ledger, drafts = (result_of(page, name) for name in ("split", "ledger", "drafts"))
    said = {
        name: why_not(found) for name, found in (("split", split), ("ledger", ledger), ("drafts", drafts))
    }
    if not said["split"]:
        grafts = split.table().query("term == 'grafts' and estimate.notna()")
        why = numbers.sentence(str(split.table()["flag"].iloc[0]))
        said["split"] = f"Grafts: {_in_zones(grafts)}." if len(grafts) else why
    if not said["ledger"]:
        known = ledger.table().set_index("term")["estimate"]
        left = known.get("left", float("nan"))
        held = f"{numbers.number(left)} FU left under your limit" if left >= 0 else f"{_passed(left)} FU"
        said["ledger"] = f"{numbers.title_case(held)}." if np.isfinite(left) else ""
    if not said["drafts"]:
        ends = drafts.table().query("term == 'expected density' and estimate.notna()")
        ends = ends if len(ends) else _mature(drafts.table())
        parts = [f"{own}: {_in_zones(rows)}" for own, rows in ends.groupby("draft", sort=False)]
        said["drafts"] = f"Mature, draft {'; draft '.join(parts)} hairs/cm²." if parts else ""
    said["sure"] = said["drafts"] if why_not(drafts) else _how_surely(drafts.table())
    done = result_of(page, "done")
    rows = done.table()
    is_kept = not why_not(done) and rows["estimate"].notna().any()
    said["done"] = (
        f"{rows['session'].nunique()} planned." if is_kept else "No draft was kept for this patient."
    )
    return said


def _in_zones(rows: pd.DataFrame) -> str:
    return ", ".join(f"{readable(row.zone)} {numbers.number(row.estimate)}" for row in rows.itertuples())


def _mature(table: pd.DataFrame) -> pd.DataFrame:
    """Return the first density of each draft and zone from the month on at which the zone is judged."""
    ends = table[table["term"].str.startswith("density at month") & table["estimate"].notna()]
    ends = ends[ends["x"].ge(ends["zone"].map(dictionary.MATURITY_MONTH))]
    return ends.sort_values("x", kind="stable").drop_duplicates(["draft", "zone"]).sort_index()


def _how_surely(table: pd.DataFrame) -> str:
    """Return how far a count once mature may lie from the expected density, over zones and drafts."""
    ends = _mature(table)
    half = ((ends["ci_high"] - ends["ci_low"]) / 2).dropna().round()
    if half.empty:
        return ""
    reach = numbers.limits(half.min(), half.max()) if half.nunique() > 1 else numbers.number(half.iloc[0])
    return f"A count once mature may lie {reach} hairs/cm² either side of the expected density (95 % limits)."


def side_by_side(result: Result) -> pd.DataFrame:
    """Return the table of `planning.drafts` with one column per draft: a number, and its limits if any."""
    if result.gap is not None:
        return pd.DataFrame()
    table = result.table()
    said = [_in_full(row) if np.isfinite(row.estimate) else row.flag for row in table.itertuples()]
    wide = table.assign(said=said, draft="draft " + table["draft"].astype(str)).pivot_table(
        index=["zone", "term", "unit"], columns="draft", values="said", aggfunc="first", sort=False
    )
    return wide.fillna("not planted").reset_index()


def table(result: Result) -> Markup:
    """Return the drafts side by side as the report's table, for whoever shows it elsewhere."""
    return tables.show(side_by_side(result), table_id="by-hand")


def _in_full(row) -> str:
    limits = f" ({numbers.limits(row.ci_low, row.ci_high)})" if np.isfinite(row.ci_low) else ""
    return f"{numbers.number(row.estimate)}{limits}"
