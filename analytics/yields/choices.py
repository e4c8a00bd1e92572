"""Which choices does a yield rest on, where reasonable people differ?

One object, handed whole from the page to `yields.by_visit`, which alone acts on it. The usual choices are
those of the headline; `yields.sensitivity` changes one at a time.
"""

from dataclasses import dataclass, fields, replace

from analytics.errors import ParameterError

# Published rate of native loss, percent a year, and the two it lies halfway between (sources in
# `yields.native`), with their SD.
ANNUAL_LOSS_PCT = 4.8
ANNUAL_LOSS_SD_PCT = 1.6
ANNUAL_LOSS_SENSITIVITY_PCT = (3.7, 5.9)

OPTIONS = {
    "native_change": ("combined", "none", "assumed", "control"),
    "photographs": ("standard", "any_length", "any_cut_off", "all"),
    "planted": ("best", "region", "zone"),
    "baseline": ("nearest", "mean"),
    "bridge": ("", "reader_id", "device_class"),
    "season": ("as counted", "levelled"),
}


@dataclass(frozen=True, slots=True)
class Choices:
    """What a yield rests on; refused at once where an option is unknown.

    Attributes
    ----------
    native_change
        `combined`, `none`, `assumed` or `control` (module `yields.native`).
    annual_loss_pct
        Yearly loss of untreated native hair in percent, 0 to 60, for `assumed` alone.
    photographs
        `standard` leaves counts under non-standard conditions, with another hair length or another thinnest
        hair than the baseline out of every use; `any_length` lets hair length differ, `any_cut_off` the
        thinnest hair counted; `all` keeps all.
    planted
        `best` (in the region where counted, else zone average), `region` or `zone`.
    baseline
        `nearest` (the count nearest to month 0) or `mean` (of all counts from month -6 to 0).
    bridge
        `reader_id` or `device_class`: densities brought to the scale of the most frequent one first
        (`measurement.bridged`); empty for densities as they were read.
    season
        `as counted`, or `levelled`: counts brought to the level of the year first (`yields.level`).

    Raises
    ------
    ParameterError
        When an option is unknown or out of range.

    Examples
    --------
    >>> Choices(native_change="none").in_words
    'native change none'
    >>> Choices(planted="zone").in_words
    'native change combined, planted zone'
    """

    native_change: str = "combined"
    annual_loss_pct: float = ANNUAL_LOSS_PCT
    photographs: str = "standard"
    planted: str = "best"
    baseline: str = "nearest"
    bridge: str = ""
    season: str = "as counted"

    def __post_init__(self) -> None:
        """Refuse what is unknown or out of range."""
        for name, allowed in OPTIONS.items():
            if getattr(self, name) not in allowed:
                listed = ", ".join(option or "nothing" for option in allowed)
                raise ParameterError(f"yields.Choices({name}): unknown; use one of {listed}")
        if not 0 <= self.annual_loss_pct <= 60:
            raise ParameterError(
                "yields.Choices(annual_loss_pct): out of range; expected 0 to 60 percent a year"
            )

        if self.native_change == "combined" and self.annual_loss_pct != ANNUAL_LOSS_PCT:
            raise ParameterError(
                "yields.Choices(annual_loss_pct): a rate is given and not taken as known; say "
                "native_change='assumed' with it"
            )

    @property
    def in_words(self) -> str:
        """Return how native hair is allowed for, and every other choice that is not the usual one."""
        rate = f" at {self.annual_loss_pct:g} % a year" if self.native_change == "assumed" else ""
        other = [
            f", {f.name} {getattr(self, f.name)}"
            for f in fields(self)[2:]
            if getattr(self, f.name) != f.default
        ]
        return f"native change {self.native_change}{rate}{''.join(other)}"

    def agrees_with(self, other: "Choices") -> bool:
        """Return whether both lead to the same yields: the assumed rate matters only where it is assumed."""
        if self.native_change != "assumed":
            other = replace(other, annual_loss_pct=self.annual_loss_pct)
        return self == other


USUAL = Choices()
