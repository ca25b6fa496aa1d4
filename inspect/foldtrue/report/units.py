"""Lengths as a person reads them, in millimetres or inches. Figures stay in millimetres everywhere else: this is the
one place that converts.

1 in = 25.4 mm exactly (international inch, 1959).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, get_args

from foldtrue.errors import UsageError
from foldtrue.measured import plus_minus

UnitName = Literal["mm", "inch"]
UNITS: tuple[UnitName, ...] = get_args(UnitName)
MM_PER_INCH = 25.4
_NUMBER = r"[+-]?\d+(?:\.\d+)?"
_JOINED = rf"(?: (?:to|x|and|or|instead of) {_NUMBER}(?: ± {_NUMBER})?)*"
_LENGTHS = re.compile(rf"(?<![\w.]){_NUMBER}(?: ± {_NUMBER})?{_JOINED} mm\b")
_ONE = re.compile(rf"({_NUMBER})(?: ± ({_NUMBER}))?")


@dataclass(frozen=True)
class Units:
    """name: what lengths are written in. Raises UsageError for any other."""

    name: UnitName = "mm"

    def __post_init__(self) -> None:
        if self.name not in UNITS:
            raise UsageError(f"There is no unit called {self.name!r}.", f"Choose one of {', '.join(UNITS)}.")

    @property
    def label(self) -> str:
        """What stands behind a length."""
        return "mm" if self.name == "mm" else "in"

    @property
    def mm(self) -> float:
        """Millimetres in one of them."""
        return 1.0 if self.name == "mm" else MM_PER_INCH

    def length(self, value_mm: float | None, u95_mm: float | None) -> str:
        """A measured length with its uncertainty, '0.12 ± 0.03 mm'."""
        value, u95 = (None if x is None else x / self.mm for x in (value_mm, u95_mm))
        return plus_minus(value, u95, self.label)

    def plain(self, value_mm: float, digits: int = 3) -> str:
        """A length that has no uncertainty, such as a planned one or a limit."""
        return f"{value_mm / self.mm:.{digits}g} {self.label}"

    def number(self, value_mm: float) -> str:
        """A length for a figure in a chart, without its unit: to 0.01 mm or 0.001 in."""
        return f"{value_mm / self.mm:.{2 if self.name == 'mm' else 3}f}"

    def density(self, px_per_mm: float) -> str:
        """Pixels for each millimetre or inch."""
        return f"{px_per_mm * self.mm:.3g} px/{self.label}"

    def sentence(self, text: str) -> str:
        """A sentence that states lengths in millimetres, with those lengths in the unit. Numbers that one 'mm' stands
        for together, '2 to 3 mm', are converted together."""
        return text if self.name == "mm" else _LENGTHS.sub(self._in_inches, text)

    def _in_inches(self, found: re.Match[str]) -> str:
        return _ONE.sub(self._one_in_inches, found.group().removesuffix(" mm")) + f" {self.label}"

    def _one_in_inches(self, found: re.Match[str]) -> str:
        value, u95 = found.group(1), found.group(2)
        if u95 is not None:
            return plus_minus(float(value) / self.mm, float(u95) / self.mm, "")
        digits = max(2, len(value.lstrip("+-0.").replace(".", "")))
        return f"{float(value) / self.mm:.{digits}g}"
