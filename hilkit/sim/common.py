"""The commands that every SCPI instrument has: IEEE 488.2 clause 10, SCPI-99 volume 1 clause 4.2.1."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hilkit.sim.parameters import Whole, quoted
from hilkit.sim.scpi import Command

if TYPE_CHECKING:
    from hilkit.sim.instrument import ScpiInstrument
    from hilkit.sim.status import Register

__all__ = ["COMMON", "block", "error_text", "status_group"]

_BYTE = Whole(low=0, high=255)
_WORD = Whole(low=0, high=32767)


def block(data: bytes) -> bytes:
    """Return definite length arbitrary block response data (IEEE 488.2 clause 8.7.9)."""
    count = str(len(data))
    return f"#{len(count)}{count}".encode() + data


def error_text(code: int, text: str) -> str:
    """Return one entry of the error queue as response data (SCPI-99 volume 2, clause 21.8)."""
    return f"{code},{quoted(text)}"


def _set_event_enable(instrument: ScpiInstrument, value: int) -> None:
    instrument.status.event_enable = value


def _set_request_enable(instrument: ScpiInstrument, value: int) -> None:
    instrument.status.request_enable = value & ~64  # bit 6 is the summary itself (IEEE 488.2 clause 11.3.2.3)


def _preset_status(instrument: ScpiInstrument) -> None:
    instrument.status.operation.preset()
    instrument.status.questionable.preset()


def _all_errors(instrument: ScpiInstrument) -> str:
    entries = [instrument.status.queue.get() for _ in range(max(1, len(instrument.status.queue)))]
    return ",".join(instrument.error_text(code, text) for code, text in entries)


def _headers(instrument: ScpiInstrument) -> bytes:
    return block(("\n".join(instrument.tree.headers()) + "\n").encode("ascii"))


def _nothing(instrument: ScpiInstrument) -> None:
    """Do what ``*WAI`` does once nothing is pending."""


def status_group(node: str, name: str) -> tuple[Command, ...]:
    """Return the commands of one status register group below ``:STATus``."""

    def register(instrument: ScpiInstrument) -> Register:
        instrument.refresh_status()
        group: Register = getattr(instrument.status, name)
        return group

    def mask(keyword: str, field: str) -> Command:
        return Command(
            pattern=f":STATus{node}{keyword}",
            takes=(_WORD,),
            do=lambda instrument, value: setattr(register(instrument), field, value),
            ask=lambda instrument: str(getattr(register(instrument), field)),
        )

    return (
        Command(
            pattern=f":STATus{node}[:EVENt]", ask=lambda instrument: str(register(instrument).read_event())
        ),
        Command(
            pattern=f":STATus{node}:CONDition", ask=lambda instrument: str(register(instrument).condition)
        ),
        mask(":ENABle", "enable"),
        mask(":PTRansition", "positive"),
        mask(":NTRansition", "negative"),
    )


COMMON: tuple[Command, ...] = (
    Command(pattern="*CLS", do=lambda instrument: instrument.clear_status()),
    Command(
        pattern="*ESE",
        takes=(_BYTE,),
        do=_set_event_enable,
        ask=lambda instrument: str(instrument.status.event_enable),
    ),
    Command(pattern="*ESR", ask=lambda instrument: str(instrument.status.read_events())),
    Command(pattern="*IDN", ask=lambda instrument: instrument.identity, open_ended=True),
    Command(
        pattern="*OPC",
        do=lambda instrument: instrument.arm_completion(),
        ask=lambda instrument: "1",
        ask_waits=True,
    ),
    Command(pattern="*OPT", ask=lambda instrument: "0", open_ended=True),
    Command(pattern="*RST", do=lambda instrument: instrument.reset()),
    Command(
        pattern="*SRE",
        takes=(_BYTE,),
        do=_set_request_enable,
        ask=lambda instrument: str(instrument.status.request_enable),
    ),
    Command(pattern="*STB", ask=lambda instrument: str(instrument.status_byte())),
    Command(pattern="*TRG", do=lambda instrument: instrument.trigger()),
    Command(pattern="*TST", ask=lambda instrument: str(instrument.self_test())),
    Command(pattern="*WAI", do=_nothing, do_waits=True),
    Command(
        pattern=":SYSTem:ERRor[:NEXT]",
        ask=lambda instrument: instrument.error_text(*instrument.status.queue.get()),
    ),
    Command(pattern=":SYSTem:ERRor:ALL", ask=_all_errors),
    Command(pattern=":SYSTem:ERRor:COUNt", ask=lambda instrument: str(len(instrument.status.queue))),
    Command(
        pattern=":SYSTem:ERRor:CODE[:NEXT]", ask=lambda instrument: str(instrument.status.queue.get()[0])
    ),
    Command(pattern=":SYSTem:HELP:HEADers", ask=_headers),
    Command(pattern=":SYSTem:PRESet", do=lambda instrument: instrument.reset()),
    Command(pattern=":SYSTem:VERSion", ask=lambda instrument: "1999.0"),
    *status_group(":OPERation", "operation"),
    *status_group(":QUEStionable", "questionable"),
    Command(pattern=":STATus:PRESet", do=_preset_status),
)
"""Rows that every table begins with."""
