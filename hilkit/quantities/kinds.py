"""The kinds of quantity and the sums that have a meaning between them."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import ClassVar, Self, cast, overload

from hilkit.quantities.powers import dbm_to_w, w_to_dbm
from hilkit.quantities.quantity import Quantity
from hilkit.quantities.units import Unit, plain_units, prefixed_units

__all__ = [
    "Angle",
    "Current",
    "Density",
    "Duration",
    "Fraction",
    "Frequency",
    "FullScaleLevel",
    "Length",
    "Level",
    "Power",
    "Ratio",
    "RelativeDensity",
    "Temperature",
    "Voltage",
]


def _one(symbol: str, *others: str) -> tuple[Unit, ...]:
    """Return a single unit without prefixes, and further spellings of it."""
    return tuple(
        Unit(symbol=name, scale=Decimal(1), shown_as=symbol, automatic=name == symbol)
        for name in (symbol, *others)
    )


class _Linear(Quantity):
    """A quantity that may be added to and taken from its own kind."""

    def __add__(self, other: Self) -> Self:
        return cast("Self", self._joined(other, 1))

    def __sub__(self, other: Self) -> Self:
        return cast("Self", self._joined(other, -1))

    def _sum(self, other: Quantity, sign: int) -> Quantity | None:
        return self._moved(other, sign) if type(other) is type(self) else None

    @classmethod
    def sums(cls) -> str:
        """Return which sums have a meaning, for messages."""
        return f"{cls.noun} plus or minus {cls.noun}"


class _Logarithmic(Quantity):
    """A level on a logarithmic scale: a ratio moves it, and two of a kind differ by a ratio."""

    def __add__(self, other: Ratio) -> Self:
        return cast("Self", self._joined(other, 1))

    @overload
    def __sub__(self, other: Ratio) -> Self: ...
    @overload
    def __sub__(self, other: Self) -> Ratio: ...
    def __sub__(self, other: Quantity) -> Quantity:
        return cast("Quantity", self._joined(other, -1))

    def _sum(self, other: Quantity, sign: int) -> Quantity | None:
        if isinstance(other, Ratio):
            return self._moved(other, sign)
        if type(other) is type(self) and sign < 0:
            return Ratio(self._moved(other, sign).base)
        return None

    @classmethod
    def sums(cls) -> str:
        """Return which sums have a meaning, for messages."""
        return f"{cls.noun} plus or minus a ratio such as 3 dB, and {cls.noun} minus {cls.noun}"


@dataclass(frozen=True, order=True)
class Frequency(_Linear):
    """A frequency in hertz."""

    noun: ClassVar[str] = "a frequency"
    example: ClassVar[str] = "2.35 GHz"
    units: ClassVar[tuple[Unit, ...]] = prefixed_units("Hz", "TGMkmµ")
    base_field: ClassVar[str] = "hz"
    hz: float


@dataclass(frozen=True, order=True)
class Duration(_Linear):
    """A time in seconds. Only prefixes below one: ``Ms`` is far more often a slip than eleven days."""

    noun: ClassVar[str] = "a time"
    example: ClassVar[str] = "250 ms"
    units: ClassVar[tuple[Unit, ...]] = prefixed_units("s", "mµnp") + plain_units(min="60", h="3600")
    base_field: ClassVar[str] = "s"
    s: float


@dataclass(frozen=True, order=True)
class Length(_Linear):
    """A length in metres."""

    noun: ClassVar[str] = "a length"
    example: ClassVar[str] = "1.2 m"
    units: ClassVar[tuple[Unit, ...]] = prefixed_units("m", "km") + plain_units(cm="0.01")
    base_field: ClassVar[str] = "m"
    m: float


@dataclass(frozen=True, order=True)
class Power(_Linear):
    """A power in watts."""

    noun: ClassVar[str] = "a power"
    example: ClassVar[str] = "5 W"
    units: ClassVar[tuple[Unit, ...]] = prefixed_units("W", "Mkmµnpf")
    base_field: ClassVar[str] = "w"
    w: float

    @property
    def level(self) -> Level:
        """The same power as a level."""
        return Level(w_to_dbm(self.w))

    @classmethod
    def sums(cls) -> str:
        """Return which sums have a meaning, for messages."""
        return "a power plus or minus a power; to move it by a ratio write it as a level in dBm"


@dataclass(frozen=True, order=True)
class Voltage(_Linear):
    """A voltage in volts."""

    noun: ClassVar[str] = "a voltage"
    example: ClassVar[str] = "3.3 V"
    units: ClassVar[tuple[Unit, ...]] = prefixed_units("V", "kmµn")
    base_field: ClassVar[str] = "v"
    v: float


@dataclass(frozen=True, order=True)
class Current(_Linear):
    """A current in amperes."""

    noun: ClassVar[str] = "a current"
    example: ClassVar[str] = "150 mA"
    units: ClassVar[tuple[Unit, ...]] = prefixed_units("A", "kmµnp")
    base_field: ClassVar[str] = "a"
    a: float


@dataclass(frozen=True, order=True)
class Angle(_Linear):
    """An angle in degrees."""

    noun: ClassVar[str] = "an angle"
    example: ClassVar[str] = "1.5 deg"
    units: ClassVar[tuple[Unit, ...]] = _one("deg")
    base_field: ClassVar[str] = "deg"
    deg: float


@dataclass(frozen=True, order=True)
class Fraction(_Linear):
    """A share of one, written in percent or in parts per million or billion (1e-9)."""

    noun: ClassVar[str] = "a fraction"
    example: ClassVar[str] = "5 ppm"
    units: ClassVar[tuple[Unit, ...]] = tuple(
        Unit(symbol=symbol, scale=Decimal(scale), shown_as=symbol, automatic=True)
        for symbol, scale in (("%", "1e-2"), ("ppm", "1e-6"), ("ppb", "1e-9"))
    )
    base_field: ClassVar[str] = "value"
    value: float


@dataclass(frozen=True, order=True)
class Temperature(Quantity):
    """A temperature in degrees Celsius; a point on a scale, so no sum of it has a meaning."""

    noun: ClassVar[str] = "a temperature"
    example: ClassVar[str] = "23 °C"
    units: ClassVar[tuple[Unit, ...]] = _one("°C", "degC")
    base_field: ClassVar[str] = "celsius"
    celsius: float


@dataclass(frozen=True, order=True)
class Ratio(Quantity):
    """A ratio of two powers in decibels; ``unit`` is ``dBc`` where it refers to a carrier, else ``dB``."""

    noun: ClassVar[str] = "a ratio"
    example: ClassVar[str] = "30 dB"
    units: ClassVar[tuple[Unit, ...]] = _one("dB") + _one("dBc")
    base_field: ClassVar[str] = "db"
    db: float

    def _automatic_unit(self) -> str:
        return "dB"

    def _sum(self, other: Quantity, sign: int) -> Quantity | None:
        if not isinstance(other, Ratio):
            return other._sum(self, sign) if sign > 0 and isinstance(other, _Logarithmic) else None
        mine, its = self.unit == "dBc", other.unit == "dBc"
        if its and (mine if sign > 0 else not mine):
            return None
        total = self._moved(other, sign)
        return Ratio(total.db, unit="dBc" if mine != its else "dB")

    @classmethod
    def sums(cls) -> str:
        """Return which sums have a meaning, for messages."""
        return "dB plus or minus dB, dBc plus or minus dB, dBc minus dBc, and a level plus or minus a ratio"


@dataclass(frozen=True, order=True)
class Level(_Logarithmic):
    """A power level in dBm. A text in watts is read too: 5 W is 36.99 dBm."""

    noun: ClassVar[str] = "a level"
    example: ClassVar[str] = "-20 dBm"
    units: ClassVar[tuple[Unit, ...]] = _one("dBm")
    base_field: ClassVar[str] = "dbm"
    dbm: float

    @property
    def power(self) -> Power:
        """The same level as a power."""
        return Power(dbm_to_w(self.dbm))

    @classmethod
    def also_reads(cls) -> tuple[type[Quantity], ...]:
        """Powers: each above zero has a level."""
        return (Power,)

    @classmethod
    def from_other(cls, other: Quantity) -> Self | None:
        """Return a power as its level."""
        return cls(w_to_dbm(other.w)) if isinstance(other, Power) else None

    @classmethod
    def allowed_units(cls) -> str:
        """Return what is allowed, for messages."""
        return "a number and the unit dBm, or a power such as 5 W"

    @classmethod
    def sums(cls) -> str:
        """Return which sums have a meaning, for messages."""
        return (
            "a level plus or minus a ratio such as 3 dB, and a level minus a level; powers do not add in dBm"
        )


@dataclass(frozen=True, order=True)
class FullScaleLevel(_Logarithmic):
    """A level relative to a full-scale sine, in dBFS."""

    noun: ClassVar[str] = "a level relative to full scale"
    example: ClassVar[str] = "-12 dBFS"
    units: ClassVar[tuple[Unit, ...]] = _one("dBFS")
    base_field: ClassVar[str] = "dbfs"
    dbfs: float


@dataclass(frozen=True, order=True)
class Density(_Logarithmic):
    """A power density in dBm/Hz."""

    noun: ClassVar[str] = "a power density"
    example: ClassVar[str] = "-174 dBm/Hz"
    units: ClassVar[tuple[Unit, ...]] = _one("dBm/Hz")
    base_field: ClassVar[str] = "dbm_per_hz"
    dbm_per_hz: float


@dataclass(frozen=True, order=True)
class RelativeDensity(_Logarithmic):
    """A power density relative to a carrier, in dBc/Hz."""

    noun: ClassVar[str] = "a density relative to the carrier"
    example: ClassVar[str] = "-140 dBc/Hz"
    units: ClassVar[tuple[Unit, ...]] = _one("dBc/Hz")
    base_field: ClassVar[str] = "dbc_per_hz"
    dbc_per_hz: float
