"""Supplies up in their order and down in reverse, each confirmed by its read-back and by what it measures."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from hilkit.errors import BenchError, LinkError

if TYPE_CHECKING:
    from hilkit.bench.spec import Bench
    from hilkit.bench.supplies import SupplyRail
    from hilkit.clock import Clock
    from hilkit.instruments import DcSupply

__all__ = ["bring_down", "bring_up", "is_dead", "patiently", "power_radio"]

RADIO = "radio"

POLL_S = 0.05

BOOT_POLL_S = 0.5

DEAD_SHARE, DEAD_V = 0.1, 0.5
"""An output counts as without voltage below a tenth of its voltage, or below half a volt, which is more."""

SETTING_SHARE = 0.005
"""How far the settings of an output that is up already may lie from those of the bench file."""


def bring_up(supply: DcSupply, rail: SupplyRail, clock: Clock) -> bool:
    """Switch an output on and confirm it by what it measures; True where it was off before.

    One that is on already is left as it is. ``BenchError`` where it is on with other settings, or does not
    reach its windows; what was switched on here is off again then.
    """
    if supply.output(rail.output):
        _refuse_others(supply, rail)
        _confirm(supply, rail, clock)
        return False
    supply.set_voltage(rail.voltage_v, output=rail.output)
    supply.set_current_limit(rail.limit_a, output=rail.output)
    if rail.over_voltage_v is not None:
        supply.set_voltage_protection(rail.over_voltage_v, output=rail.output)
    try:
        supply.set_output(True, output=rail.output)
        _confirm(supply, rail, clock)
    except BaseException:
        supply.set_output(False, output=rail.output)
        raise
    return True


def power_radio(bench: Bench, opened: Mapping[str, Any], clock: Clock) -> float:
    """Power the radio, if its supply is off, with what comes before it in the order.

    Returns how long it may take to boot, in seconds; 0 where nothing was switched on.
    """
    radio = [number for number, rail in enumerate(bench.rails) if rail.feeds == RADIO]
    if all(opened[bench.rails[n].instrument].output(bench.rails[n].output) for n in radio):
        return 0.0
    for rail in bench.rails[: radio[-1] + 1]:
        bring_up(opened[rail.instrument], rail, clock)
    return max(bench.rails[number].boots_s for number in radio)


def patiently(action: Callable[[], None], seconds: float, clock: Clock, *, undo: Callable[[], None]) -> None:
    """Do something that may fail for so long, while what was switched on starts.

    ``undo`` is called before each new try.
    """
    deadline = clock.deadline(seconds)
    while True:
        try:
            return action()
        except LinkError:
            if deadline.passed:
                raise
            undo()
            clock.sleep(BOOT_POLL_S)


def bring_down(supply: DcSupply, rail: SupplyRail, clock: Clock) -> None:
    """Switch an output off; ``BenchError`` where voltage is left at it after its time."""
    supply.set_output(False, output=rail.output)
    if not _until(lambda: is_dead(supply, rail.output, rail.voltage_v), rail.settles_s, clock):
        measured = supply.measured_voltage(rail.output)
        raise BenchError(
            f"{rail.name} is off, but {measured:.2f} V are left at it after {rail.settles_s:g} s",
            next_step=f"look what else feeds the {rail.feeds}, or allow more time with settles_within",
        )


def is_dead(supply: DcSupply, output: int, voltage_v: float) -> bool:
    """Return whether no voltage worth the name is measured at an output."""
    return supply.measured_voltage(output) < max(DEAD_V, DEAD_SHARE * voltage_v)


def _refuse_others(supply: DcSupply, rail: SupplyRail) -> None:
    volts, limit = supply.voltage(rail.output), supply.current_limit(rail.output)
    if _near(volts, rail.voltage_v) and _near(limit, rail.limit_a):
        return
    raise BenchError(
        f"{rail.name}, which feeds the {rail.feeds}, is on with {volts:g} V and a limit of {limit:g} A; the "
        f"bench file says {rail.voltage_v:g} V and {rail.limit_a:g} A",
        next_step="switch it off by hand once that does no harm, or correct the bench file",
    )


def _near(value: float, wanted: float) -> bool:
    return abs(value - wanted) <= SETTING_SHARE * abs(wanted)


def _confirm(supply: DcSupply, rail: SupplyRail, clock: Clock) -> None:
    """Wait until the measured values lie in their windows; ``BenchError`` where they do not in time."""
    low, high = (rail.voltage_v * (1 + sign * rail.tolerance) for sign in (-1, 1))
    if not _until(lambda: low <= supply.measured_voltage(rail.output) <= high, rail.settles_s, clock):
        volts = supply.measured_voltage(rail.output)
        raise BenchError(
            f"{rail.name}, which feeds the {rail.feeds}, should give {low:.4g} to {high:.4g} V, it measures "
            f"{volts:.4g} V{_trip(supply, rail)}",
            next_step="look for a short or a wrong limit; then check voltage and tolerance in the bench file",
        )
    if rail.current_a is None:
        return
    least, most = rail.current_a
    if not _until(lambda: least <= supply.measured_current(rail.output) <= most, rail.settles_s, clock):
        amperes = supply.measured_current(rail.output)
        raise BenchError(
            f"{rail.name}, which feeds the {rail.feeds}, should give {least:.3g} to {most:.3g} A, it "
            f"measures {amperes:.3g} A{_trip(supply, rail)}",
            next_step=f"look whether the {rail.feeds} is connected and sound",
        )


def _trip(supply: DcSupply, rail: SupplyRail) -> str:
    trip = supply.tripped(rail.output)
    return f"; its {trip} protection has tripped" if trip else ""


def _until(condition: Callable[[], bool], seconds: float, clock: Clock) -> bool:
    deadline = clock.deadline(seconds)
    while not condition():
        if deadline.passed:
            return False
        clock.sleep(min(POLL_S, max(deadline.left, 1e-3)))
    return True
