"""Who is seen when, which regions are counted, and what is read there.

A *region* is a place that is counted again and again: in a planted zone (or one half of it), an unplanted
control beside it, or the donor zone. Its true density is native hair plus, for each session that planted
it, planted hairs times plateau times emerged share; single-unit excision leaves the donor the share of its
hair that was not taken, a strip all of it. An *attendance* is one visit; every region of the person is
counted there.
"""

import numpy as np
import pandas as pd

from analytics.simulate.growth import emerged, shed_share, therapy_log_ratio
from analytics.simulate.truth import Truth

CAPTURE_REASONS = ("wet hair", "light", "angle", "styling", "dye", "other")


def regions(
    placements: pd.DataFrame,
    sessions: pd.DataFrame,
    patients: pd.DataFrame,
    truth: Truth,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the regions: native density at the person's first session, marking, usual reader."""
    planted = placements[["person", "zone", "site"]].drop_duplicates(ignore_index=True)
    side = np.where(planted["site"] == "whole", "", "-" + planted["site"])
    planted = planted.assign(region_kind="planted", region_id=planted["zone"] + side)
    has_control = rng.random(len(patients)) < truth.controls
    last = planted[planted["site"] == "whole"].drop_duplicates("person", keep="last")
    controls = last[has_control[last["person"]]].assign(region_kind="unplanted")
    controls["region_id"] = controls["zone"] + "-control"
    has_donor = np.flatnonzero(rng.random(len(patients)) < truth.donor_counts)
    donors = pd.DataFrame({"person": has_donor, "zone": "donor", "site": "whole"})
    donors = donors.assign(region_kind="donor", region_id="donor")
    table = pd.concat([planted, controls, donors], ignore_index=True)
    table = table.sort_values(["person", "region_kind", "region_id"], ignore_index=True)
    table["region"] = np.arange(len(table))
    start = sessions.drop_duplicates("person").set_index("person")["time"]
    reader = rng.choice(list(truth.readers), size=len(patients), p=list(truth.readers.values()))
    return table.assign(
        true_native_at_start=_native(table, patients, truth, rng),
        start=start.reindex(table["person"]).to_numpy(),
        marked=rng.random(len(table)) < truth.marked,
        n_fields=rng.choice(truth.fields_unmarked, size=len(table)),
        reader=reader[table["person"]],
        sized=rng.random(len(table)) < truth.calibres,
    )


def _native(
    table: pd.DataFrame, patients: pd.DataFrame, truth: Truth, rng: np.random.Generator
) -> np.ndarray:
    mean = table["zone"].map({z: t.native_density for z, t in truth.zones.items()}).to_numpy(dtype=float)
    spread = table["zone"].map({z: t.native_sd for z, t in truth.zones.items()}).to_numpy(dtype=float)
    step = patients["step"].to_numpy()[table["person"]] - 2.0
    bald = np.maximum(rng.normal(mean * (1.0 + truth.native_per_class_step * step), spread), 0.0)
    donor = patients["donor_hairs_cm2"].to_numpy()[table["person"]] * rng.normal(1.0, 0.04, len(table))
    return np.where(table["zone"] == "donor", donor, bald)


def attendances(
    sessions: pd.DataFrame, patients: pd.DataFrame, truth: Truth, rng: np.random.Generator, *, months: int
) -> pd.DataFrame:
    """Return who came when: the day of each session, and visits kept until the next session."""
    n = len(sessions)
    planned = np.array(list(truth.attendance))
    chance = np.array(list(truth.attendance.values()))
    with np.errstate(divide="ignore"):
        logit = np.log(chance) - np.log1p(-chance)
    far = patients["true_yield_shift"].to_numpy()[sessions["person"]] / max(truth.plateau_sd_patient, 1e-9)
    shift = truth.returns_when_good * far - truth.stays_away_when_far * (np.abs(far) - np.sqrt(2 / np.pi))
    comes = rng.random((n, len(planned))) < 1 / (1 + np.exp(-(logit + shift[:, None])))
    withdraws = comes & (rng.random(comes.shape) < truth.withdraws)
    comes &= np.cumsum(withdraws, axis=1) - withdraws == 0
    jitter = np.clip(rng.normal(0, truth.jitter_months, comes.shape), -1.4, 1.4) * np.minimum(
        planned / 6.0, 1.0
    )
    month = np.round(planned + jitter, 1)
    following = sessions["time"].shift(-1).where(sessions["person"] == sessions["person"].shift(-1), np.inf)
    time = sessions["time"].to_numpy()[:, None] + month
    comes &= (time < following.to_numpy()[:, None] - 0.3) & (time < months)
    operation, visit = np.nonzero(comes)
    later = pd.DataFrame(
        {
            "operation": operation,
            "planned": planned[visit],
            "month": month[operation, visit],
            "withdrawn": withdraws[operation, visit],
        }
    )
    first = sessions["session_number"].to_numpy() == 1
    early = np.round(rng.uniform(0.1, 2.5, n), 1) * (first & (rng.random(n) < 0.15))
    early = np.minimum(early, sessions["time"].to_numpy())
    day = pd.DataFrame({"operation": np.arange(n), "planned": 0, "month": 0.0 - early, "withdrawn": False})
    table = pd.concat([day, later], ignore_index=True).sort_values(["operation", "month"], ignore_index=True)
    table["person"] = sessions["person"].to_numpy()[table["operation"]]
    table["time"] = sessions["time"].to_numpy()[table["operation"]] + table["month"]
    return _photographed(table, truth, rng)


def _photographed(table: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    failed = rng.random(len(table)) < truth.not_standard
    reason = rng.choice(CAPTURE_REASONS, size=len(table), p=[0.3, 0.3, 0.15, 0.1, 0.1, 0.05])
    bias = rng.normal(truth.not_standard_bias_pct / 100.0, truth.not_standard_cv, len(table))
    return table.assign(
        attendance=np.arange(len(table)),
        standard=~failed,
        reason=np.where(failed, reason, ""),
        capture_factor=np.where(failed, np.maximum(1.0 + bias, 0.3), 1.0),
    )


def schedule(
    attended: pd.DataFrame,
    table: pd.DataFrame,
    placements: pd.DataFrame,
    truth: Truth,
    rng: np.random.Generator,
    *,
    sessions: pd.DataFrame,
) -> tuple[pd.DataFrame, dict[str, np.ndarray]]:
    """Return one row per count to be made, with its clock, and the plantings of each region."""
    slots = _slots(table, placements, sessions)
    seen = attended[attended["planned"] != 1]
    rows = seen.merge(table.drop(columns="site"), on="person", how="inner", validate="many_to_many")
    planted_at = slots["time"][rows["region"]]
    is_day = rows["planned"].to_numpy() == 0
    is_own = slots["operation"][rows["region"]] == rows["operation"].to_numpy()[:, None]
    begun = (planted_at <= rows["time"].to_numpy()[:, None] + 1e-6) | (is_own & is_day[:, None])
    latest = begun.sum(axis=1) - 1
    is_planted = rows["region_kind"].to_numpy() == "planted"
    clock = np.where(latest >= 0, slots["operation"][rows["region"], latest], rows["operation"])
    rows["clock"] = clock.astype(int)
    rows["month"] = (rows["time"] - sessions["time"].to_numpy()[rows["clock"]]).round(1)
    is_baseline = is_day & (rows["clock"] == rows["operation"]).to_numpy()
    missed = rng.random(len(rows)) < np.where(is_baseline, truth.no_baseline, truth.region_missed)
    elsewhere = is_day & ~is_baseline & (rng.random(len(rows)) < 0.5)
    donor_rest = (rows["zone"] == "donor").to_numpy() & ~is_day & (rows["planned"].to_numpy() != 12)
    keep = (~is_planted | (latest >= 0)) & ~missed & ~elsewhere & ~donor_rest
    return rows[keep].reset_index(drop=True), slots


def _slots(table: pd.DataFrame, placements: pd.DataFrame, sessions: pd.DataFrame) -> dict[str, np.ndarray]:
    """Lay the plantings of each region side by side: arrays (regions, plantings), earliest first.

    Controls are timed like the planted zone they lie in, but nothing grows there.
    """
    key = ["person", "zone", "site"]
    timed = placements.assign(time=sessions["time"].to_numpy()[placements["operation"]])
    timed["placement"] = np.arange(len(timed))
    linked = table[[*key, "region", "region_kind"]].merge(timed, on=key, validate="many_to_many")
    linked = linked.sort_values(["region", "time"], ignore_index=True)
    linked["slot"] = linked.groupby("region").cumcount()
    shape = (len(table), int(linked["slot"].max()) + 1 if len(linked) else 1)
    grows = (linked["region_kind"] == "planted").to_numpy()
    at = (linked["region"].to_numpy(), linked["slot"].to_numpy())
    fields = {
        "time": (np.inf, linked["time"].to_numpy(dtype=float)),
        "operation": (-1, linked["operation"].to_numpy()),
        "placement": (-1, linked["placement"].to_numpy()),
        "planted": (0.0, linked["true_planted_hairs_cm2"].to_numpy() * grows),
        "plateau": (0.0, linked["true_plateau_pct"].to_numpy()),
        "half": (1.0, linked["true_half_month"].to_numpy()),
        "shape": (1.0, linked["true_shape"].to_numpy()),
    }
    out = {}
    for name, (empty, values) in fields.items():
        out[name] = np.full(shape, empty)
        out[name][at] = values
    return out


def true_density(
    rows: pd.DataFrame,
    slots: dict[str, np.ndarray],
    patients: pd.DataFrame,
    courses: np.ndarray,
    truth: Truth,
    *,
    sessions: pd.DataFrame,
) -> pd.DataFrame:
    """Return native and grown planted hairs/cm2 at each row, as they are, before anyone counts."""
    person, region = rows["person"].to_numpy(), rows["region"].to_numpy()
    time, start = rows["time"].to_numpy(), rows["start"].to_numpy()
    start_t, stop_t = courses[person, :, 0], courses[person, :, 1]
    lifted = therapy_log_ratio(time, start_t, stop_t, truth) - therapy_log_ratio(
        start, start_t, stop_t, truth
    )
    rate = -np.log1p(-patients["true_loss_pct"].to_numpy()[person] / 100.0)
    stable = (rows["zone"] == "donor").to_numpy()
    path = np.where(stable, 0.0, lifted - rate * (time - start) / 12.0)
    left = np.where(stable, _donor_left(rows, sessions, patients), 1.0)
    native = rows["true_native_at_start"].to_numpy() * np.exp(path) * left
    since = time[:, None] - slots["time"][region]
    shed = shed_share(np.where(np.isfinite(since), since, -1.0), truth).sum(axis=1)
    native = native * np.where(stable, 1.0, 1.0 - np.minimum(shed, 1.0))
    ratio = np.where(np.isfinite(since), since, 0.0) / slots["half"][region]
    share = emerged(ratio, slots["shape"][region], curve=truth.curve)
    grown = (slots["planted"][region] * slots["plateau"][region] / 100.0 * share).sum(axis=1)
    density = np.maximum(native + grown, 0.0)
    return rows.assign(true_native=native, true_grown=grown, true_density=density, donor_left=left)


def _donor_left(rows: pd.DataFrame, sessions: pd.DataFrame, patients: pd.DataFrame) -> np.ndarray:
    """Return the share of the person's donor units that no attempt before each row has taken."""
    supply = (patients["donor_area_cm2"] * patients["donor_fu_cm2"]).to_numpy()[sessions["person"]]
    done = sessions[["person", "time"]].assign(share=(sessions["attempts"] / supply).fillna(0.0))
    timed = rows[["person", "time"]].assign(row=np.arange(len(rows)))
    both = timed.merge(done, on="person", suffixes=("", "_of"), validate="many_to_many")
    taken = both["share"].where(both["time_of"] < both["time"], 0.0).groupby(both["row"]).sum()
    return np.maximum(1.0 - taken.to_numpy(), 0.05)


def read(
    rows: pd.DataFrame, truth: Truth, readers: dict[str, float], rng: np.random.Generator
) -> pd.DataFrame:
    """Return the readings: reader, device, hair length, conditions, counting error, repeats."""
    n = len(rows)
    names = np.array(list(readers))
    other = rng.choice(names, size=n)
    reader = np.where(rng.random(n) < truth.reader_changes, other, rows["reader"])
    lengths = np.where(rng.random(n) < 0.5, "short", "trimmed")
    usual = np.where(
        _steady(rows["person"], rng) < truth.long_hair, "long", _per_person(rows["person"], lengths)
    )
    length = np.where(
        rng.random(n) < truth.length_changes, rng.choice(["shaved", "short", "long"], size=n), usual
    )
    new = truth.device_changes_in_month
    beside = rng.random(int(rows["attendance"].max()) + 1)[rows["attendance"]] < truth.other_device
    device = np.where(((new > 0) & (rows["time"].to_numpy() >= new - 1)) | beside, "D2", "D1")
    rows = rows.assign(reader_id=reader, hair_length=length, device_class=device, count_number=1)
    if truth.cut_off_changes_in_month:
        before = rows["time"] < truth.cut_off_changes_in_month - 1
        rows = rows.assign(thinnest_counted_um=np.where(before, 40.0, 0.0))
    rows = _repeat(rows, names, truth, rng)
    fields = np.where(rows["marked"], 1, rows["n_fields"]).astype(int)
    rows = rows.assign(roi_area_cm2=1.0, n_fields=fields)
    return rows.assign(density_hairs_cm2=_counted(rows, truth, readers, rng))


def read_beside(
    rows: pd.DataFrame, truth: Truth, readers: dict[str, float], rng: np.random.Generator
) -> pd.DataFrame:
    """Return the readings with some counted once more, by the same reader on the other device."""
    chosen = (rng.random(len(rows)) < truth.device_repeats) & (rows["count_number"] == 1).to_numpy()
    if not chosen.any():
        return rows
    number = rows.groupby(["attendance", "region"])["count_number"].transform("max") + 1
    more = rows[chosen].assign(
        count_number=number[chosen],
        device_class=np.where(rows.loc[chosen, "device_class"] == "D1", "D2", "D1"),
        density_fu_cm2=np.nan,
        hair_calibre_um=np.nan,
        calibre_method=None,
    )
    more = more.assign(density_hairs_cm2=_counted(more, truth, readers, rng))
    return pd.concat([rows, more]).sort_index(kind="stable").reset_index(drop=True)


def _counted(
    rows: pd.DataFrame, truth: Truth, readers: dict[str, float], rng: np.random.Generator
) -> np.ndarray:
    """Return densities as counted; a thinned donor is drawn as if whole, so that it moves no other draw."""
    device = np.where(rows["device_class"] == "D2", np.log1p(truth.device_pct / 100.0), 0.0)
    length = np.where(rows["hair_length"] == "long", np.log1p(truth.long_hair_pct / 100.0), 0.0)
    effect = rows["reader_id"].map(readers).to_numpy(dtype=float) + device + length
    season = 1.0 + truth.season_pct / 100.0 * np.cos(2 * np.pi * (rows["time"].to_numpy() - 0.5) / 12.0)
    left = rows["donor_left"].to_numpy()
    seen = rows["true_density"].to_numpy() / left
    if "thinnest_counted_um" in rows:
        fine = rows["thinnest_counted_um"].eq(0).to_numpy() * truth.fine_hair_pct / 100.0
        seen = seen + fine * rows["true_native"].to_numpy() / left
    mean = seen * np.exp(effect) * season * rows["capture_factor"].to_numpy()
    area = (rows["n_fields"] * rows["roi_area_cm2"]).to_numpy(dtype=float)
    return np.round(_count(mean, area, rows["marked"].to_numpy(), truth, rng) * area * left) / area


def size(rows: pd.DataFrame, patients: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the readings with follicular units and calibre where the clinic records them.

    Native hair of a balding zone is taken as 0.8 of donor calibre at 1.6 hairs a unit, planted hair as
    0.96 of donor calibre at 2.1 (invented); a caliper reads 0.71 of an optical calibre (published: 77
    against 109 micrometres).
    """
    person = rows["person"].to_numpy()
    donor = (rows["zone"] == "donor").to_numpy()
    native, grown = rows["true_native"].to_numpy(), rows["true_grown"].to_numpy()
    total = np.maximum(native + grown, 1e-9)
    relative = np.where(donor, 1.0, (0.8 * native + 0.96 * grown) / total)
    by_caliper = (patients["calibre_method"] == "caliper").to_numpy()[person]
    calibre = patients["calibre"].to_numpy()[person] * relative * np.where(by_caliper, 0.71, 1.0)
    calibre = np.round(calibre * rng.normal(1.0, 0.03, len(rows)), 1)
    density = rows["density_hairs_cm2"].to_numpy(dtype=float)
    units = density / np.where(donor, 2.05, np.maximum((1.6 * native + 2.1 * grown) / total, 1.0))
    is_sized = rows["sized"].to_numpy() & (density > 0)
    method = pd.Series(np.where(by_caliper, "caliper", "optical"), index=rows.index)
    return rows.assign(
        density_fu_cm2=np.where(is_sized, units.round(1), np.nan),
        hair_calibre_um=np.where(is_sized, np.clip(calibre, 20, 150), np.nan),
        calibre_method=method.where(is_sized, None),
    )


def _repeat(rows: pd.DataFrame, names: np.ndarray, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Add a second count of some regions at the same visit, by the same or by another reader."""
    again = rows[rng.random(len(rows)) < truth.duplicates]
    if again.empty:
        return rows
    mine = np.searchsorted(np.sort(names), again["reader_id"].to_numpy(dtype=names.dtype))
    step = rng.integers(1, max(len(names), 2), len(again))
    others = np.sort(names)[(mine + step) % len(names)]
    by_other = rng.random(len(again)) < truth.duplicates_by_other
    again = again.assign(count_number=2, reader_id=np.where(by_other, others, again["reader_id"]))
    return pd.concat([rows, again]).sort_index(kind="stable").reset_index(drop=True)


def _count(mean: np.ndarray, area: np.ndarray, marked: np.ndarray, truth: Truth, rng) -> np.ndarray:
    """Draw whole counts around the mean density and return densities."""
    hairs = np.maximum(mean * area, 1e-9)
    relative = np.sqrt(np.log1p(truth.within_cv**2))
    recount = np.round(hairs * np.exp(rng.normal(-(relative**2) / 2, relative, len(hairs))))
    if truth.phi > 1.0:
        scale = truth.phi - 1.0
        sampled = rng.poisson(rng.gamma(hairs / scale, scale))
    else:
        sampled = rng.poisson(hairs)
    return np.where(marked, recount, sampled) / area


def _steady(person: pd.Series, rng: np.random.Generator) -> np.ndarray:
    """Draw one uniform number per person, repeated over the person's rows."""
    return rng.random(int(person.max()) + 1 if len(person) else 1)[person]


def _per_person(person: pd.Series, values: np.ndarray) -> np.ndarray:
    """Give every row of a person the value of the person's first row."""
    first = person.drop_duplicates()
    return pd.Series(values[first.index], index=first.to_numpy()).reindex(person).to_numpy()
