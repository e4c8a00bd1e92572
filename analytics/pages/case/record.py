"""Who a patient is, what was planted, and what was told, as recorded."""

import pandas as pd

from analytics import course, numbers
from analytics.dictionary import OLDEST_AGE
from analytics.results import Result, why_not

NONE_RECORDED = "none recorded"


def who(result: Result) -> list[str]:
    """Return who a patient is, what was done, and the last of what was told, from `course.person`."""
    if why_not(result):
        return []
    row = result.extra["who"].iloc[0].astype(object)
    row = row.where(row.notna(), "")
    sex = {"male": "man", "female": "woman"}.get(str(row["sex"]), "")
    calibre = row["hair_calibre_um"] and f"hair {row['hair_calibre_um']:.0f} µm"
    grade = row["loss_class"] and f"{row['loss_scale']} {row['loss_class']}".strip()
    age = "" if row["age_from"] == "" else _age(int(row["age_from"]))
    phrases = [_joined(sex, age), grade, _joined(calibre, row["curl"])]
    planted = result.table()
    planted = planted[planted["term"].eq("grafts planted")].groupby("session_number")["estimate"].sum()
    phrases += [
        f"session {own.session_number}: {own.method}, register month {own.register_month}, "
        f"{numbers.number(planted.get(own.session_number, 0.0))} grafts planted"
        for own in result.extra["sessions"].itertuples()
    ]
    for what, own in told(result).groupby("what", sort=False):
        last = str(own["sentence"].iloc[-1])
        phrases.append(f"{what}: {last}" if last != NONE_RECORDED else f"no {what} recorded")
    return [phrase for phrase in phrases if phrase]


def _age(begins: int) -> str:
    return (
        "aged 90 or more"
        if begins >= OLDEST_AGE
        else f"aged {begins} to {begins + course.AGE_BAND_YEARS - 1}"
    )


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def planted(result: Result) -> pd.DataFrame:
    """Return one row per session and zone of `course.person`: grafts, area, hairs planted per cm2."""
    if why_not(result):
        return result.table()
    wide = result.table().pivot_table(
        index=["session_number", "zone"], columns="term", values="estimate", sort=False
    )
    rows = wide.reset_index().rename_axis(columns=None)
    return rows.assign(session_number="Session " + rows["session_number"].astype(str))


def told(result: Result) -> pd.DataFrame:
    """Return therapy, complications and ratings of `course.person` as rows; none is said to be none."""
    if why_not(result):
        return result.table()
    kinds = (
        ("therapies", "therapy", _therapy),
        ("events", "complication", _event),
        ("ratings", "rating", _rating),
    )
    rows = []
    for table, what, in_words in kinds:
        own = [(what, in_words(row)) for row in result.extra[table].itertuples()]
        rows += own or [(what, NONE_RECORDED)]
    return pd.DataFrame(rows, columns=["what", "sentence"])


def _therapy(row) -> str:
    start, stop = row.start_register_month, row.stop_register_month
    begins = "before the register" if start <= 0 else f"from register month {start:g}"
    return f"{row.kind}, {begins}, {'going on' if pd.isna(stop) else f'to register month {stop:g}'}"


def _event(row) -> str:
    how = "" if pd.isna(row.severity) else f", {row.severity}"
    over = "not recorded as over" if pd.isna(row.resolved_month) else f"over by month {row.resolved_month:g}"
    return f"session {row.session_number}, month {row.month:g}: {numbers.readable(row.kind)}{how}, {over}"


def _rating(row) -> str:
    again = {True: "would choose it again", False: "would not choose it again"}
    chosen = "" if pd.isna(row.would_choose_again) else again[bool(row.would_choose_again)]
    rated = "" if pd.isna(row.satisfaction_0_10) else f"rated {row.satisfaction_0_10:g} of 10"
    return f"session {row.session_number}, month {row.month:g}: {_joined(rated, chosen)}"
