"""What is lost between the punch and the mirror, each loss over its own denominator?

The chain: attempts -> grafts out -> intact -> usable, which are those planted -> growing. Grafts put aside or
lost on the way stay in the denominators before them: what grew is given of what was planted, and what was
planted of what was attempted, so that nobody's loss hides in another's denominator. Planted of usable is no
step: the records say by rule that all grafts not put aside were planted. A ratio of sums
over sessions has its standard error from the spread between sessions (ratio estimator, Cochran 1977, Sampling
Techniques, ch. 6, from memory), because sessions differ: taken graft by graft as if independent, the interval
is 2 to 3 times too narrow. Transection here is *visible* transection, found in grafts that came out; what
stays hidden in the skin is not in it.

A cut follicle is not a lost graft, nor always a lost hair: with the lower third, half or two thirds kept
3.0, 4.4 and 6.2 of 15 planted in a box grew (Er et al. 2006, Dermatol Surg, 5 men; as quoted). Where
follicles were classed under the microscope the chain has their shares over the follicles looked at, and two
bounds of what is able to grow: whole follicles and 20 or 41 % of those partly cut. Grafts are not touched.

What grew is given *as planted*, over the hairs planted, and *as intended*, over the hairs that all grafts
taken out (or attempted) would have brought, one put aside taken to hold as many as one planted: grafts that
popped or were thought not worth placing flatter the first alone.

Hairs and grafts are never mixed. From a hair yield s and the grafts by hairs per graft, the share of grafts
that show a hair is sum_k w_k (1 - (1 - s)^k), if hairs of a graft grow or fail independently; it is then
above the hair yield. If grafts fail whole it is the hair yield itself (taken within 0 and 100 %). Counts of
hairs cannot tell which: both are given, the truth lies between.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import scipy
from scipy.special import expit, logit

from analytics.errors import FitError, ParameterError
from analytics.records import Records
from analytics.results import LEVEL, Result, limits, line
from analytics.yields.choices import USUAL, Choices
from analytics.yields.means import average, one_reading, shared_errors
from analytics.yields.rows import by_visit

# Share of partly cut follicles that grew, lower third and two thirds kept (Er et al. 2006, see above).
PARTLY_GROWS = (0.20, 0.41)
COUNTED = ("attempts", "grafts_out", "grafts_transected", "grafts_discarded")
GRAFTS_FAIL_WHOLE = "graft yield, grafts failing whole"
GRAFTS = ("grafts_1", "grafts_2", "grafts_3", "grafts_4")


def loss_chain(
    records: Records,
    *,
    by: Sequence[str] = (),
    level: float = LEVEL,
    choices: Choices = USUAL,
    rows: pd.DataFrame | None = None,
) -> Result:
    """Return each step's share with the session as the unit, in percent of the step's own denominator.

    Parameters
    ----------
    by
        Columns of `sessions` to group by, e.g. `surgeon_id`, `method`.
    choices
        What the yields of what is growing rest on.
    rows
        Rows of `by_visit` under these choices, where the caller has them already.

    Returns
    -------
    Result
        Terms `out of attempts` (FUE with attempts recorded), `intact of out`, `usable of out`, `planted of
        attempts` in grafts; of the follicles looked at those `whole`, `partly cut`, `cut
        through`, and `able to grow` at least and at most (sessions where all three classes were counted);
        `growing of planted`, `of out` and `of attempts` in hairs (sessions with a mature reading, a placement
        weighted by its hairs; errors all placements share, as in `yields.average`, are in the interval).
        Numerators and denominators stand in `extra["counts"]`. Only what is growing may pass 100 %.

    Raises
    ------
    ParameterError
        When a column to group by is unknown.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> loss_chain(clinic).table()["term"].tolist()[:3]
    ['out of attempts', 'intact of out', 'usable of out']
    """
    unknown = [c for c in by if c not in records.sessions.columns]
    if unknown:
        raise ParameterError(
            f"yields.loss_chain(by): unknown column {', '.join(unknown)}; use a column of sessions"
        )
    visits = by_visit(records, choices=choices) if rows is None else rows
    sessions = _with_planted_and_growing(records, visits)
    groups = sessions.groupby(list(by), sort=True) if by else [((), sessions)]
    lines, counts = [], []
    for key, group in groups:
        labels = dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
        for step in _steps(group):
            lines.append(_step_line(group, labels, step, level))
            sums = {"numerator": step.part.sum(), "denominator": step.whole.sum()}
            counts.append({**labels, "term": step.term, **sums})
    method = (
        f"ratio of sums over sessions, session as the unit, t limits on the logit scale, {100 * level:g} %; "
        "visible transection only"
    )
    used = sessions.drop(columns=[c for c in sessions if c.startswith("shared_")]).assign(reason="")
    extra = {"counts": pd.DataFrame(counts)}
    return Result(pd.DataFrame(lines), used, method, by=tuple(by), extra=extra)


def _with_planted_and_growing(records: Records, rows: pd.DataFrame) -> pd.DataFrame:
    """Add grafts planted by the planting log, and hairs growing of those whose placement was read."""
    sessions = records.sessions.astype(dict.fromkeys(COUNTED, "float64"))
    places = records.placements.astype({"grafts": "float64", "hairs": "float64"})
    planted = places.groupby("session_id")["grafts"].agg(lambda g: g.sum(skipna=False))
    read = one_reading(rows)
    read = read.merge(places[["placement_id", "hairs"]], on="placement_id", validate="one_to_one")
    read = read.dropna(subset=["hairs"])
    y = (read["yield_pct"] / read["planted_ratio"]).to_numpy(dtype=float)
    shared = {f"shared_{i}": c for i, (c, _) in enumerate(shared_errors(read, y))} if len(read) else {}
    hairs = {
        name: (read["hairs"] * values / 100).groupby(read["session_id"]).sum()
        for name, values in {"hairs_growing": y, "hairs_read": 100.0, **shared}.items()
    }
    return sessions.assign(
        grafts_planted=sessions["session_id"].map(planted),
        **{name: sessions["session_id"].map(of_session) for name, of_session in hairs.items()},
    )


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """One step: its term, part and whole of each session, (k,); what grows is no share and may pass 1."""

    term: str
    part: pd.Series
    whole: pd.Series
    is_share: bool = True


def _steps(sessions: pd.DataFrame) -> list[Step]:
    """Return the steps of the chain that these sessions know, in order."""
    out, attempts = sessions["grafts_out"], sessions["attempts"]
    usable, planted = out - sessions["grafts_discarded"], sessions["grafts_planted"]
    growing, read = sessions["hairs_growing"], sessions["hairs_read"]
    steps = [
        Step("out of attempts", out, attempts),
        Step("intact of out", out - sessions["grafts_transected"], out),
        Step("usable of out", usable, out),
        Step("planted of attempts", planted, attempts),
        *_follicle_steps(sessions),
        Step("growing of planted", growing, read, is_share=False),
        Step("growing of out", growing, read * out / planted, is_share=False),
        Step("growing of attempts", growing, read * attempts / planted, is_share=False),
    ]
    known = [(step, step.part.notna() & step.whole.gt(0)) for step in steps]
    return [replace(step, part=step.part[ok], whole=step.whole[ok]) for step, ok in known if ok.any()]


def _follicle_steps(sessions: pd.DataFrame) -> list[Step]:
    """Return the shares of follicles looked at; a session with a class left out has none."""
    whole, partly = sessions["follicles_whole"], sessions["follicles_partly_cut"]
    through = sessions["follicles_cut_through"]
    classed = whole + partly + through
    least, most = (whole + share * partly for share in PARTLY_GROWS)
    return [
        Step("whole of follicles", whole.where(classed.notna()), classed),
        Step("partly cut of follicles", partly.where(classed.notna()), classed),
        Step("cut through of follicles", through.where(classed.notna()), classed),
        Step("able to grow of follicles, at least", least, classed),
        Step("able to grow of follicles, at most", most, classed),
    ]


def _step_line(sessions: pd.DataFrame, labels: dict, step: Step, level: float) -> dict:
    """Return the line of one step; errors that all placements share do not shrink with the sessions."""
    ratio, se, low, high = ratio_of_sums(step.part, step.whole, level=level, is_share=step.is_share)
    used = sessions.loc[step.part.index]
    shared = _shared_variance(used, step.whole) if not step.is_share else 0.0
    if shared > 0 and np.isfinite(se):
        total = float(np.hypot(se, np.sqrt(shared)))
        df = (len(used) - 1) * (total / se) ** 4 if se > 0 else np.inf
        se, (low, high) = total, limits(ratio, total, level=level, df=df)
    patients = int(used["patient_id"].nunique())
    return line(
        step.term,
        100 * ratio,
        "%",
        by=labels,
        se=100 * se,
        ci=(100 * low, 100 * high),
        level=level,
        # Grafts, follicles and hairs of sessions: no count of persons can be had back from their ratio.
        basis="model",
        n_patients=patients,
        n_rows=len(used),
    )


def _shared_variance(sessions: pd.DataFrame, hairs: pd.Series) -> float:
    """Return the variance of the share growing from errors that all its placements have in common."""
    moved = sessions[[c for c in sessions if c.startswith("shared_")]].sum()
    return float(((moved / hairs.sum()) ** 2).sum())


def ratio_of_sums(
    part, whole, *, level: float = LEVEL, is_share: bool = True
) -> tuple[float, float, float, float]:
    """Return sum(part) / sum(whole) with its standard error and limits, the session as the unit.

    Limits are Student's t on the logit scale where 0 < ratio < 1, so that they stay inside; at 0 or 1 the
    exact binomial limits of as many trials as there are sessions stand in. A ratio that is no share, and may
    pass 1, has plain t limits.

    Parameters
    ----------
    part, whole
        Counts of each session, (k,), whole above 0.
    is_share
        Whether the ratio lies between 0 and 1.

    Returns
    -------
    tuple of float
        Ratio, standard error, lower and upper limit; the last three NaN for a single session.

    Examples
    --------
    >>> [round(v, 3) for v in ratio_of_sums([1, 3], [10, 10])[:2]]
    [0.2, 0.1]
    """
    x, n = np.asarray(part, dtype=float), np.asarray(whole, dtype=float)
    k = len(x)
    ratio = float(x.sum() / n.sum())
    if k < 2:
        return ratio, np.nan, np.nan, np.nan
    se = float(np.sqrt(k / (k - 1) * np.sum((x - ratio * n) ** 2)) / n.sum())
    if not is_share:
        return ratio, se, *limits(ratio, se, level=level, df=k - 1)
    if not 0 < ratio < 1 or se == 0:
        low = scipy.stats.beta.ppf((1 - level) / 2, ratio * k, k - ratio * k + 1) if ratio > 0 else 0.0
        high = scipy.stats.beta.ppf((1 + level) / 2, ratio * k + 1, k - ratio * k) if ratio < 1 else 1.0
        return ratio, se, float(low), float(high)
    low, high = limits(logit(ratio), se / (ratio * (1 - ratio)), level=level, df=k - 1)
    return ratio, se, float(expit(low)), float(expit(high))


def graft_yield(
    records: Records,
    *,
    by: Sequence[str] = ("zone",),
    level: float = LEVEL,
    choices: Choices = USUAL,
    rows: pd.DataFrame | None = None,
) -> Result:
    """Return hair yield and graft yield side by side, where the grafts by hairs per graft are known.

    Terms: `hair yield`; `graft yield` if hairs of a graft are independent; `graft yield, grafts failing
    whole`.

    Parameters
    ----------
    by, level, choices, rows
        As in `yields.average`.

    Returns
    -------
    Result
        By group, percent of hairs and of grafts, with intervals and what they rest on.

    Raises
    ------
    FitError
        When no placement read has its grafts by hairs per graft.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(set(graft_yield(clinic).table()["term"]))
    ['graft yield', 'graft yield, grafts failing whole', 'hair yield']
    """
    hairs = average(records, by=by, level=level, choices=choices, rows=rows)
    used = hairs.rows()
    mix = records.placements.dropna(subset=list(GRAFTS))[["placement_id", *GRAFTS]].astype(
        dict.fromkeys(GRAFTS, float)
    )
    picked = (
        used[used["for_headline"]]
        .drop_duplicates("placement_id")
        .merge(mix, on="placement_id", validate="1:1")
    )
    if picked.empty:
        raise FitError(
            "yields.graft_yield: no placement has grafts by hairs per graft; fill placements.grafts_1 to _4"
        )
    totals = picked.groupby(list(by))[list(GRAFTS)].sum().reset_index()
    table = hairs.table().merge(totals, on=list(by), how="left")
    grafts = pd.DataFrame([one for _, row in table.iterrows() for one in _graft_lines(row)])
    both = pd.concat([hairs.table().assign(term="hair yield"), grafts], ignore_index=True)
    method = (
        f"{hairs.method}; graft yield from the grafts planted, hairs of a graft taken as independent, or "
        "grafts to fail whole"
    )
    estimates = both[hairs.table().columns]
    return Result(estimates, used, method, by=tuple(by), checks=hairs.checks, notes=hairs.notes)


def has_graft_sizes(records: Records) -> bool:
    """Return whether any placement's grafts are known by hairs per graft."""
    return bool(records.placements[list(GRAFTS)].notna().all(axis=1).any())


def _graft_lines(hairs: pd.Series) -> list[dict]:
    """Return the lines of a group's grafts from that of its hairs, which carries the grafts by size."""
    grafts = hairs[list(GRAFTS)].astype(float)
    known = bool(grafts.notna().all() and grafts.sum() > 0)
    shares = {
        c: 100 * share_of_grafts_growing(hairs[c] / 100, grafts) if known else np.nan
        for c in ("estimate", "ci_low", "ci_high")
    }
    flag = hairs["flag"] if known else "grafts by hairs per graft not known"
    unlike = {"unit": "% of planted grafts", "se": np.nan, "df": np.nan, "flag": flag}
    plain = {**hairs.drop(list(GRAFTS)), **unlike}
    whole = {c: float(np.clip(hairs[c], 0, 100)) if known else np.nan for c in shares}
    return [{**plain, "term": "graft yield", **shares}, {**plain, "term": GRAFTS_FAIL_WHOLE, **whole}]


def share_of_grafts_growing(hair_yield: float, grafts) -> float:
    """Return the share of grafts that show at least one hair, given the share of hairs that grow, 0 to 1.

    Parameters
    ----------
    hair_yield
        Share of hairs growing; taken as 1 above 1 and 0 below 0.
    grafts
        Number (or share) of grafts with 1, 2, 3, ... hairs.

    Examples
    --------
    Half of the hairs grow; one-hair and two-hair grafts in equal number: (0.5 + 0.75) / 2.

    >>> share_of_grafts_growing(0.5, [1, 1])
    0.625
    """
    s = min(max(float(hair_yield), 0.0), 1.0)
    weight = np.asarray(grafts, dtype=float)
    shows = 1 - (1 - s) ** np.arange(1, len(weight) + 1)
    return float(np.sum(weight * shows) / np.sum(weight))
