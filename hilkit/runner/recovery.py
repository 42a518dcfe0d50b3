"""What a step that broke off leaves behind: an instrument out of step, a radio that has restarted."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from hilkit.errors import BenchError, InstrumentError
from hilkit.procedures.moving import Unit

if TYPE_CHECKING:
    from hilkit.bench import Connected
    from hilkit.safety import Session

__all__ = ["Restarts", "put_in_step"]


class Restarts:
    """Tells whether the radio has restarted since ``begin``: calibration and reference are gone then."""

    def __init__(self) -> None:
        self._unit: Unit | None = None

    def begin(self, session: Session, *, anew: bool) -> None:
        """Count from now on; unless ``anew``, a count under way goes on."""
        if anew or self._unit is None:
            self._unit = Unit(session)

    def told(self) -> str:
        """Return a sentence on the restart, empty if there was none; asks the radio."""
        if self._unit is None:
            return ""
        resets = self._unit.resets()
        return f"the radio restarted ({resets.note})" if resets.value > 0 else ""


def put_in_step(trouble: Exception, session: Session, connected: Connected) -> BenchError | None:
    """Bring the link of the instrument that ``trouble`` came from back in step, RF off first, and prepare it
    again: it may have restarted and lost what is set only once.

    An answer too many shifts every later one, and shows as a wrong reply, a wrong read-back or a signal that
    is not there; so the analyser is put in step where no instrument is named. Returns what to say of a link
    that is lost.
    """
    name = trouble.instrument if isinstance(trouble, InstrumentError) else ""
    if name == connected.bench.radio_spec.name:
        return None  # its console tells its answers by their echo
    with suppress(BenchError):  # the safe state follows in any case
        session.mute_all()
    instrument = connected.instruments.get(name, connected.analyser)
    try:
        instrument.link.resync()
        connected.prepare_again(instrument.name)
    except BenchError as error:
        lost = BenchError(
            f"the link to {instrument.name} is lost for good: {error.message}",
            next_step="look at its power and cabling, then 'hilkit inspect' the bench",
        )
        lost.__cause__ = error
        return lost
    return None
