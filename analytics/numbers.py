"""How a number is said: rounded to what its standard error supports, with its unit, interval and count.

An estimate is shown to the decimal place of the first significant digit of its standard error, and never
coarser than whole units; its limits to the same place. Numbers stay at full precision in the result, in
`results.json` and in the workbook; only what is read by eye is rounded. A number that does not exist is
said in words.

Source: common practice in statistical reporting (the standard error's first digit carries the
information); no single published rule is followed.

Names of columns and groups are said here too; codes stay as they were handed in.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from analytics.errors import ParameterError
from analytics.results import Result, plain

NOT_AVAILABLE = "not available"
THIN = "\u202f"  # narrow no-break space: keeps a number and its unit on one line
MINUS = "\u2212"
MAX_DECIMALS = 6
# Decimals that no number of a unit exceeds, however small its standard error: more are read by nobody, and a
# standard error near 0 (a share at 0 or 100 %) is no precision. A choice of ours, no source.
MOST_DECIMALS = {"%": 1, "points": 1, "points of yield": 1, "month": 1, "months": 1, "hairs/cm2": 1, "cm2": 1}
WHOLE_FROM = 100.0  # numbers from here on, without a standard error, are shown whole

# How a unit is written after a number. A unit not listed is written as it is.
UNIT_SUFFIX = {
    "%": f"{THIN}%",
    "points": " points",
    "points of yield": " points",
    "month": " months",
    "months": " months",
    "hairs/cm2": " hairs/cm²",
    "hairs/cm2/month": " hairs/cm² a month",
    "cm2": " cm²",
    "mm2/cm2": " mm²/cm²",
    "ratio": "",
    "count": "",
    "": "",
}
UNIT_NAME = {
    "points": "percentage points",
    "points of yield": "percentage points",
    "month": "months",
    "hairs/cm2": "hairs/cm²",
    "hairs/cm2/month": "hairs/cm² a month",
    "cm2": "cm²",
    "mm2/cm2": "mm²/cm²",
    "count": "number",
}


# What a quantity or a column is called where a person reads it; any other name is its own words.
SAID = {
    "half_month": "time to half of final growth",
    "month_of_95_pct_of_plateau": "time to 95 % of final growth",
    "plateau_yield": "final yield",
    "plateau_difference": "difference in final yield",
    "tempo_ratio": "ratio of times to half growth",
    "half_month_difference": "difference in time to half growth",
    "yield_difference_at_maturity": "difference in yield at maturity",
    "out of attempts": "grafts taken out, of attempts",
    "intact of out": "grafts not transected, of those taken out",
    "usable of out": "usable grafts, of those taken out",
    "planted of attempts": "grafts planted, of attempts",
    "growing of planted": "hairs grown, of those planted",
    "growing of out": "hairs grown, of those taken out",
    "growing of attempts": "hairs grown, of those attempted",
    "share reached": "planted zones that have reached it",
    "first reading": "planted zones with a first reading at or above it",
    "first readings expected": "first readings the model expects",
    "own minus the others": "own yield minus the others'",
    "month from which it can be told": "first month in which it can be judged",
    "not_on_boundary": "every spread above 0",
    "plateau_reached": "counts up to final growth in each zone",
    "own_tempo_by_zone": "timing fitted zone by zone",
    "tempo_determined": "timing known well enough",
    "tempo_spread_estimated": "spread of timing estimated",
    "plateau_plausible": "final yield from 0 to 150 %",
    "finite_se": "standard errors found",
    "plateaus_converged": "distribution of final yields settled",
    "run_length_as_asked": "false alarms as seldom as asked",
    "distributed_as_simulated": "spread of single outcomes, against the model's",
    "behind not met": "behind a standard not met",
    "ci_low": "from",
    "ci_high": "to",
}
PLACEMENT = re.compile(r"\b(p|P)lacement(s?)\b")


def as_said(text: str) -> str:
    """Return a text with the visible word for a placement: a planted zone.

    Examples
    --------
    >>> as_said("too few followed placements")
    'too few followed planted zones'
    """
    return PLACEMENT.sub(lambda found: f"{found.group(1)}lanted zone{found.group(2)}", text)


def decimals(se: float, unit: str = "", values: Iterable[float] = ()) -> int:
    """Return how many decimals a number with this standard error carries.

    Without a standard error: none where all the values are whole, or the largest is 100 or more; else two
    for a ratio and one for anything else.

    Parameters
    ----------
    se
        Standard error in the unit of the number; NaN or 0 where there is none.
    unit
        Unit of the number, which decides when there is no standard error.
    values
        The numbers to be shown, which decide when there is no standard error.

    Examples
    --------
    >>> [decimals(se) for se in (12.0, 1.7, 0.4, 0.02)]
    [0, 0, 1, 2]
    >>> decimals(0.000001, "% of planted hairs")
    1
    """
    if not math.isfinite(se) or se <= 0:
        known = [abs(float(value)) for value in values if math.isfinite(value)]
        if known and (max(known) >= WHOLE_FROM or all(value.is_integer() for value in known)):
            return 0
        return 0 if unit == "count" else (2 if unit == "ratio" else 1)
    most = MOST_DECIMALS.get("%" if unit.startswith("%") else unit, MAX_DECIMALS)
    return min(most, max(0, -math.floor(math.log10(se))))


def number(value: float, places: int = 0) -> str:
    """Return a number as a person writes it: thousands apart, a true minus, words where there is none.

    Examples
    --------
    >>> number(1234.56, 1), number(float("nan"))
    ('1,234.6', 'not available')
    """
    if value is None or pd.isna(value):
        return NOT_AVAILABLE
    if math.isinf(value):
        return "no limit"
    text = f"{float(value):,.{places}f}"
    if float(text.replace(",", "")) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def p_value(p: float, *, places: int | None = None) -> str:
    """Return a p-value: below 0.001 said so, three decimals below 0.1, else two, or the places asked for.

    Examples
    --------
    >>> [p_value(p) for p in (0.0004, 0.0412, 0.25)]
    ['below 0.001', '0.041', '0.25']
    """
    if places is None:
        places = 3 if p < 0.1 else 2
    return "below 0.001" if p < 0.001 else number(p, places)


def limits(low: float, high: float, places: int = 0) -> str:
    """Return an interval as `81 to 87`.

    Examples
    --------
    >>> limits(81.2, 86.9)
    '81 to 87'
    """
    if pd.isna(low) and pd.isna(high):
        return NOT_AVAILABLE
    return f"{number(low, places)} to {number(high, places)}"


def with_unit(text: str, unit: str) -> str:
    """Return the text of a number with its unit behind it.

    Examples
    --------
    >>> with_unit("9", "months"), with_unit("1", "points of yield"), with_unit("41", "register month")
    ('9 months', '1 point', 'register month 41')
    """
    if text == NOT_AVAILABLE:
        return text
    if unit == "register month":  # says which, not how many
        return f"{unit} {text}"
    said = text + UNIT_SUFFIX.get("%" if unit.startswith("% of ") else unit, f" {unit}")
    return re.sub(r"^(−?1 (?:point|month))s\b", r"\1", said)


def percent(value: float, places: int = 0) -> str:
    """Return a percentage with its sign.

    >>> percent(23.4) == f"23{THIN}%", percent(-0.4) == f"0{THIN}%"
    (True, True)
    """
    return with_unit(number(value, places), "%")


def chance(percent: float) -> str:
    """Return a chance in percent, never 0 or 100.

    >>> [chance(value).replace(THIN, " ") for value in (0.2, 37.4, 99.7)]
    ['under 1 %', '37 %', 'over 99 %']
    """
    if percent > 99:
        return f"over 99{THIN}%"
    return f"under 1{THIN}%" if percent < 1 else f"{percent:.0f}{THIN}%"


def of_100(percent: float) -> str:
    """Return a chance as so many in 100.

    >>> of_100(0.4), of_100(31.6), of_100(99.8)
    ('under 1 of 100', '32 of 100', 'over 99 of 100')
    """
    return f"{chance(percent).removesuffix(f'{THIN}%')} of 100"


def unit_name(unit: str) -> str:
    """Return a unit in words, for a heading or an axis.

    Examples
    --------
    >>> unit_name("% of planted hairs")
    'percent of planted hairs'
    """
    return as_said(f"percent{unit[1:]}" if unit.startswith("%") else UNIT_NAME.get(unit, unit))


@dataclass(frozen=True, slots=True)
class Parts:
    """A number in words, part by part; a part is empty where there is none."""

    value: str
    unit: str
    interval: str
    patients: str


def parts(row: Mapping | pd.Series) -> Parts:
    """Return the parts of one row of a result, as `full` says them.

    Examples
    --------
    >>> parts({"estimate": 84.2, "se": 1.5, "unit": "%", "ci_low": 81.2, "ci_high": 87.1, "n_patients": 203})
    Parts(value='84', unit='\u202f%', interval='95\u202f% interval 81 to 87', patients='203 patients')
    """
    unit = str(row.get("unit", ""))
    if pd.isna(row.get("estimate")):
        return Parts(words_for_missing(row), "", "", "")
    places = decimals(_value(row, "se"), unit, [_value(row, "estimate")])
    value = number(row["estimate"], places)
    interval = ""
    if not (pd.isna(_value(row, "ci_low")) and pd.isna(_value(row, "ci_high"))):
        level = _value(row, "level")
        interval = f"{100 * (level if math.isfinite(level) else 0.95):g}{THIN}% interval "
        interval += limits(_value(row, "ci_low"), _value(row, "ci_high"), places)
    said = with_unit(value, unit)
    value = value if said.startswith(value) else said  # a unit that stands before its number goes with it
    return Parts(value, said.removeprefix(value), interval, _patients(row))


def full(row: Mapping | pd.Series, *, counts: bool = True) -> str:
    """Return one row of a result as `84 % (95 % interval 81 to 87; 203 patients)`.

    Parameters
    ----------
    row
        One row of `Result.table()`: estimate and unit; se, ci_low, ci_high, level, n_patients, flag where
        it has them.
    counts
        Whether the number of patients is said.
    """
    said = parts(row)
    inside = "; ".join(part for part in (said.interval, said.patients if counts else "") if part)
    return f"{said.value}{said.unit} ({inside})" if inside else f"{said.value}{said.unit}"


def unbroken(text: str) -> str:
    """Return a text whose percent signs stand behind a thin space that does not break.

    >>> unbroken("9 % of 30 hairs") == f"9{THIN}% of 30 hairs"
    True
    """
    return re.sub(r"(?<=\d) %", f"{THIN}%", text)


def sentence(text: str) -> str:
    """Return a note as a sentence: a large first letter, a point at the end.

    Examples
    --------
    >>> sentence("one row a zone")
    'One row a zone.'
    """
    text = re.sub(r"(?<![\w.])-(?=\d)", MINUS, plain(text).strip()).replace("cm2", "cm²")
    text = unbroken(as_said(text))
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?", ":")) else ".")


def words_for_missing(row: Mapping | pd.Series) -> str:
    """Return why a number is not there: its flag, else `not available`."""
    flag = row.get("flag", "")
    return as_said(str(flag)) if isinstance(flag, str) and flag else NOT_AVAILABLE


def pick(result: Result, **where) -> pd.Series:
    """Return the one row of a result whose columns hold the values asked for.

    Raises
    ------
    ParameterError
        When a column is unknown, or no row or more than one fits.

    A result without an answer gives a row without a number, whose flag says why.
    """
    if result.gap is not None:
        return pd.Series({"estimate": float("nan"), "unit": "", "flag": result.gap.why.rstrip(".")})
    table = result.table()
    chosen = pd.Series(True, index=table.index)
    for column, value in where.items():
        if column not in table.columns:
            raise ParameterError(f"pick({column}): no such column; use one of {', '.join(table.columns)}")
        chosen &= table[column] == value
    if chosen.sum() != 1:
        raise ParameterError(
            f"pick({', '.join(where)}): {int(chosen.sum())} rows of the result fit, exactly 1 is needed; "
            f"name more of {', '.join([*result.by, 'term', 'x'])}"
        )
    return table[chosen].iloc[0]


def _value(row: Mapping | pd.Series, column: str) -> float:
    value = row.get(column)
    return float("nan") if value is None or pd.isna(value) else float(value)


def _patients(row: Mapping | pd.Series) -> str:
    n = _value(row, "n_patients")
    if not math.isfinite(n):
        return ""
    return f"{number(n)} patient{'' if n == 1 else 's'}"


def readable(value: object) -> str:
    """Return a name as words: what it is called (`SAID`), else its own, underscores as spaces.

    Examples
    --------
    >>> readable("yield_at_maturity")
    'yield at maturity'
    >>> readable("plateau_yield, crown")
    'final yield, crown'
    """
    text = str(value)
    name = text if text in SAID else text.partition(", ")[0]  # a quantity, and where
    said = SAID.get(name, name) + text[len(name) :]
    said = said.replace("_pct", " %").replace("_", " ")
    return as_said(unbroken(re.sub(r"(?<=[cm]m)2\b", "²", said)))


def listed(names: Sequence[str]) -> str:
    """Return names as a sentence lists them.

    Examples
    --------
    >>> listed(["crown"]), listed(["crown", "frontal", "temples"])
    ('crown', 'crown, frontal and temples')
    """
    return " and ".join([part for part in (", ".join(names[:-1]), *names[-1:]) if part])


def title_case(text: str) -> str:
    """Return the text with its first letter large."""
    return text[:1].upper() + text[1:]


def group_name(column: str, value: object) -> str:
    """Return the name of a group with a large first letter; a code stays as it is.

    Examples
    --------
    >>> group_name("surgeon_id", "s_1"), group_name("zone", "crown")
    ('s_1', 'Crown')
    """
    return str(value) if column.endswith("_id") else title_case(readable(value))


def group_label(column: str, value: object) -> str:
    """Return the name of a group as words; a code (column `..._id`) stays as it is.

    Examples
    --------
    >>> group_label("surgeon_id", "S_1"), group_label("method", "long_hair")
    ('S_1', 'long hair')
    """
    return str(value) if column.endswith("_id") else readable(value)


def heading(column: str) -> str:
    """Return a column's name as a heading.

    Examples
    --------
    >>> heading("surgeon_id"), heading("n_patients")
    ('Surgeon', 'Patients')
    """
    plain = re.sub(r"^n_", "", re.sub(r"_id$", "", column))
    return title_case(readable(plain.replace("_cm2", " per cm²").replace("_pct", " (percent)")))
