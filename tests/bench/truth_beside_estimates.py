"""The demo's known truth beside what the workbook estimates from its tables. Run by hand:

    python tests/bench/truth_beside_estimates.py

Three columns of truth matter: what was *stated*, what this one draw *holds* (the mean over its
placements, which differs from the stated value by luck and by case mix), and what the tables let one
*estimate*. An estimate is held against the draw. A miss of a 95 % interval is printed as a miss and
stays: the seed is not drawn again.
"""

import time

import numpy as np
import pandas as pd

from analytics import dictionary, measurement, regrowth, simulate, yields
from analytics.errors import AnalyticsError
from analytics.simulate import demo as simulate_demo

WIDTH = "{:<44} {:>9} {:>9} {:>9} {:>19}  {}"


def main() -> None:
    """Print one line a quantity."""
    tables, latent = simulate_demo.demo()
    records = simulate.as_records(tables)
    print(WIDTH.format("quantity", "stated", "this draw", "estimate", "95 % interval", ""))
    emergence(records, latent)
    headline(records, latent)
    counting(records, latent)
    native(records, latent)
    transection(tables, latent)
    speed()


def line(what: str, stated, drawn, estimate, low=np.nan, high=np.nan) -> None:
    """Print a quantity and whether its interval holds what the draw holds."""
    held = "" if not np.isfinite([low, high, drawn]).all() else "held" if low <= drawn <= high else "MISS"
    interval = f"{low:8.3f} to {high:7.3f}" if np.isfinite([low, high]).all() else ""
    numbers = [f"{v:9.3f}" if np.isfinite(v) else "" for v in (stated, drawn, estimate)]
    print(WIDTH.format(what, *numbers, interval, held))


def emergence(records, latent) -> None:
    """Plateau, yield at maturity, half month by zone; tempo ratio; spreads."""
    table = regrowth.emergence(records, both_shapes=False).table().set_index(["zone", "term"])
    truth = latent.truth
    drawn = latent.placements
    for zone, stated in truth.zones.items():
        here = drawn[drawn["zone"] == zone]
        maturity = dictionary.MATURITY_MONTH[zone]
        mature = stated.plateau_yield * float(simulate.emerged(maturity / stated.half_month, stated.shape))
        for term, says, holds in (
            ("plateau_yield", stated.plateau_yield, here["plateau_pct"].mean()),
            ("yield_at_maturity", mature, here["yield_at_maturity_pct"].mean()),
            ("half_month", stated.half_month, np.exp(np.log(here["half_month"]).mean())),
        ):
            row = table.loc[(zone, term)]
            line(f"{zone}: {term}", says, holds, row["estimate"], row["ci_low"], row["ci_high"])
    log_half = np.log(drawn["half_month"])
    front = drawn["zone"].isin(dictionary.FRONT)
    ratio = float(np.exp(log_half[drawn["zone"] == "crown"].mean() - log_half[front].mean()))
    row = table.loc[("crown : front", "tempo_ratio")]
    line(
        "tempo ratio crown : front", truth.tempo_ratio, ratio, row["estimate"], row["ci_low"], row["ci_high"]
    )
    plateau, tempo = (_spreads(drawn, drawn[c]) for c in ("plateau_pct", "log_tempo"))
    for term, stated, holds in (
        ("SD patient: plateau", truth.plateau_sd_patient, plateau[0]),
        ("SD placement: plateau (region)", truth.plateau_sd_placement, plateau[1]),
        ("SD patient: log tempo", truth.log_tempo_sd_patient, tempo[0]),
        ("SD placement: log tempo", truth.log_tempo_sd_placement, tempo[1]),
    ):
        row = table.loc[("all", term)]
        low, high = row["estimate"] - 1.96 * row["se"], row["estimate"] + 1.96 * row["se"]
        line(term, stated, holds, row["estimate"], low, high)


def _spreads(drawn: pd.DataFrame, values: pd.Series) -> tuple[float, float]:
    """Return the SDs between and within patients of what this draw holds, zone means taken out."""
    left = values - values.groupby(drawn["zone"]).transform("mean")
    groups = left.groupby(drawn["patient_id"])
    size = groups.size()
    inside = float((groups.var() * (size - 1)).sum() / (size - 1).sum())
    between = float(groups.mean().var()) - inside * float((1 / size).mean())
    return np.sqrt(max(between, 0.0)), np.sqrt(inside)


def headline(records, latent) -> None:
    """Mean yield of mature readings by zone, against the true yield at maturity of the same placements."""
    try:
        table = yields.average(records, by=["zone"]).table()
    except (AnalyticsError, AttributeError) as wrong:
        print(f"yields.average: {wrong}")
        return
    rows = yields.by_visit(records)
    used = rows.loc[rows["for_headline"], "placement_id"].unique()
    drawn = latent.placements[latent.placements["placement_id"].isin(used)]
    for row in table.itertuples():
        holds = drawn.loc[drawn["zone"] == row.zone, "yield_at_maturity_pct"].mean()
        line(f"{row.zone}: average of mature readings", np.nan, holds, row.estimate, row.ci_low, row.ci_high)


def counting(records, latent) -> None:
    """Counting error, readers, devices."""
    truth, model = latent.truth, measurement.error_model(records)
    effects = latent.readers
    table = measurement.repeatability(records).table().set_index(["device_class", "reader_id", "term"])
    rows = (
        ("over-dispersion of unmarked fields", truth.phi, truth.phi),
        ("within-reader CV (log scale)", 100 * truth.within_cv, 100 * truth.within_cv),
        ("between-reader CV (log scale)", 100 * truth.between_reader_cv, np.nan),
    )
    for term, stated, holds in rows:
        row = table.loc[("all", "all", term)]
        line(term, stated, holds, row["estimate"], row["ci_low"], row["ci_high"])
    print(f"  in use: phi {model.phi:.3f} ({model.phi_source})")
    bridge = measurement.bridge(records).table()
    for row in bridge.itertuples():
        shift = 100 * np.expm1(effects[row.reader_id] - effects[bridge["reader_id"].iloc[0]])
        if row.flag != "the reference":
            line(f"{row.reader_id} {row.term}, %", np.nan, shift, row.estimate, row.ci_low, row.ci_high)
    device = measurement.bridge(records, by="device_class").table().iloc[1]
    line(
        "D2 reads against D1, %",
        truth.device_pct,
        truth.device_pct,
        *device[["estimate", "ci_low", "ci_high"]],
    )


def native(records, latent) -> None:
    """Native loss a year from the control regions of the untreated and treated together."""
    from analytics.yields import native as yields_native

    try:
        found = yields_native.control_rate(records)
    except (AnalyticsError, AttributeError, TypeError) as wrong:
        print(f"control rate: {wrong}")
        return
    controls = latent.readings[latent.readings["region_id"].str.endswith("-control")]
    key = ["patient_id", "region_id"]
    ends = controls.groupby(key).agg(
        a=("native", "first"), b=("native", "last"), s=("time", "first"), e=("time", "last")
    )
    ends = ends[(ends["e"] > ends["s"]) & (ends["a"] > 0)]
    slope = 12 * np.log(ends["b"] / ends["a"]).sum() / (ends["e"] - ends["s"]).sum()
    rate, low, high = (100 * np.expm1(found.practice + z * found.practice_se) for z in (0.0, -1.96, 1.96))
    line(
        "native change of control regions, % a year",
        -latent.truth.native_loss_pct,
        100 * np.expm1(slope),
        rate,
        low,
        high,
    )


def transection(tables, latent) -> None:
    """Share of grafts transected: counted against true, the drifting operator and the others, by half."""
    sessions = tables["sessions"].merge(
        latent.sessions[["session_id", "true_transected_pct"]], on="session_id"
    )
    sessions = sessions[sessions["grafts_transected"].notna() & (sessions["method"] == "FUE")]
    late = np.where(sessions["register_month"] > 27, "last three quarters", "before")
    drifting = np.where(sessions["surgeon_id"] == latent.truth.drifting_surgeon, "S2", "others")
    for (who, when), group in sessions.groupby([drifting, late]):
        counted = 100 * group["grafts_transected"].sum() / group["grafts_out"].sum()
        true = np.average(group["true_transected_pct"], weights=group["grafts_out"])
        line(f"transected, % of grafts (FUE), {who}, {when}", np.nan, true, counted)


def speed() -> None:
    """Seconds to draw 10,000 patients."""
    start = time.perf_counter()
    tables, _ = simulate.register(10_000, seed=1)
    seconds = time.perf_counter() - start
    rows = {name: len(table) for name, table in tables.items() if name in ("placements", "measurements")}
    print(f"10,000 patients drawn in {seconds:.2f} s: {pd.Series(rows).to_dict()}")


if __name__ == "__main__":
    main()
