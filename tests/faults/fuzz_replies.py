"""Bad answers without end to the SCPI session and to the radio's console: no traceback, no wrong number.

One answer of an exchange is mutilated, the ones after it are right. What is returned has to be the true
value, or the value of an answer that nobody can tell from a true one: a well-formed <NR1>, <NR2> or <NR3>
(IEEE 488.2-1992, clauses 8.7.2 to 8.7.4), a block of the right length (8.7.9), a word of the dialect.
"""

from __future__ import annotations

import random
import re
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from hilkit.errors import HilkitError
from hilkit.files import Lab
from hilkit.instruments import load_dialect, open_instrument
from tests.instruments.bench import INSTR, SOCKET, FakeBench, block
from tests.instruments.test_analyser import SETUP

__all__ = ["Report", "fuzz"]

POINTS = 101
TRACE = np.linspace(-80.0, -10.0, POINTS).astype(">f4")
LONGEST_S = 30.0
"""Longest simulated time of one exchange: timeouts, reopening and asking again included."""

NRF = re.compile(rb"\s*[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\s*")
INFINITE = 9.9e37

PIECES = (
    b"", b"\n", b"\r\n", b" ", b"\t", b"\x00", b"\xff", b"\x8f\xfe?~", b"9.91E37", b"-9.9E37", b"nan",
    b"NaN", b"inf", b"-INF", b"1_0", b"1,0", b"1.2.3", b"1e", b"e5", b"--1", b"0x10", b"#", b"#0",
    b"#9999999999", b"#14", b"#15ab", b"#H1F", b"+", b"-", b".", b"\xb2", b"\xbd", b"1e999", b"-1e999",
    b"1e-999", b"9" * 400, b"9" * 5000, b'"', b"''", b"ON", b"off", b"0,\"No error\"",
    b"-113,\"Undefined header\"", b"-500,\"Power on\"", b"-350,\"Queue overflow\"", b"0", b"1", b"-0",
    b"(@", b"(@1:999999999)", b"(@101", b"(@101,102)", b"(@5:1)", b"a,b,c,d", b"DBM", b"1.0 DBM",
    b"\x1b[31m", b"\x11", b"True", b"None", b"1;2", b"1\n2", b"RMS", b"POS", "٣".encode(), "½".encode(),
    b"ok", b"sorry", b"sorry 12 no", b"ph> ", b"~ 1.0 warm", b"warmth 1_0.0", b"rf 1 on", b"rf 1 off",
    b"lo 1 1 locked",
)  # fmt: skip


def mutilated(rng: random.Random, answer: bytes) -> bytes:
    """Return a bad answer made from a good one."""
    data = bytearray(answer)
    for _ in range(rng.choice((1, 1, 1, 2, 5))):
        at = rng.randrange(len(data) + 1)
        what = rng.randrange(8)
        if what == 0:
            data[:] = rng.choice(PIECES) + (b"\n" if rng.random() < 0.8 else b"")
        elif what == 1:
            data[at:at] = rng.choice(PIECES)
        elif what == 2:
            del data[at:]
        elif what == 3:
            data[at : at + 1] = bytes([rng.randrange(256)])
        elif what == 4:
            del data[at : at + rng.choice((1, 2, 9))]
        elif what == 5:
            data += bytes(data)
        elif what == 6:
            data[:] = bytes(rng.randrange(256) for _ in range(rng.choice((1, 5, 50)))) + b"\n"
        else:
            data[at:at] = bytes(data[at : at + 8]) * rng.choice((1, 3, 50))
    return bytes(data)


@dataclass(frozen=True)
class Act:
    """Something that is asked: the query, its true answer, and what has to come back."""

    driver: str
    query: str
    answer: bytes
    do: Callable[[Any], Any]
    true: Any
    number: bool = False


def _trace(analyser: Any) -> list[float]:
    analyser.configure(replace(SETUP, points=POINTS, span_hz=1e6))
    return list(map(float, analyser.acquire().level_dbm))


ACTS = (
    Act(
        "signal_analyser",
        ":SENSe:FREQuency:CENTer?",
        b"1.8425E+09\n",
        lambda a: a.read_number("centre"),
        1.8425e9,
        True,
    ),
    Act(
        "signal_analyser", ":SENSe:SWEep:POINts?", b"1001\n", lambda a: float(a.read("points")), 1001.0, True
    ),
    Act(
        "signal_analyser",
        ":SENSe:BANDwidth:RESolution?",
        b"3.0E5\n",
        lambda a: a.read_number("rbw"),
        3e5,
        True,
    ),
    Act("signal_analyser", ":SENSe:DETector:FUNCtion?", b"RMS\n", lambda a: a.read("detector"), "rms"),
    Act("signal_analyser", "*IDN?", b"Bench Lab,SA1,0042,1.0\n", lambda a: a.identity().serial, "0042"),
    Act("signal_analyser", ":SYSTem:ERRor:NEXT?", b'0,"No error"\n', lambda a: len(a.errors()), 0),
    Act("signal_analyser", ":STATus:QUEStionable:CONDition?", b"0\n", lambda a: a.status().overload, False),
    Act("signal_analyser", ":TRACe:DATA? TRACE1", block(TRACE.tobytes()), _trace, list(map(float, TRACE))),
    Act("signal_analyser", "*ESR?", b"1\n", lambda a: a.link.wait_complete(0.1), None),
    Act("step_attenuator", ":INPut:ATTenuation?", b"30\n", lambda a: a.get(), 30.0, True),
    Act("switch_matrix", ":ROUTe:CLOSe:STATe?", b"(@101)\n", lambda a: a.closed(), (101,)),
    Act(
        "power_meter",
        ":FETCh:SCALar:POWer:AC?",
        b"1.25E-03\n",
        lambda a: a.read_number("power"),
        1.25e-3,
        True,
    ),
    Act("dc_supply", ":MEASure:CURRent?", b"0.93\n", lambda a: a.read_number("measured_current"), 0.93, True),
    Act("radio_head", "warmth", b"warmth 41.5\n", lambda r: r.temperature_c(), 41.5, True),
    Act("radio_head", "awake", b"awake seconds=12.5 starts=3\n", lambda r: r.uptime_s(), 12.5, True),
    Act("radio_head", "rf 1", b"rf 1 off\n", lambda r: r.rf(1), False),
    Act("radio_head", "trim 1", b"trim 1 12.00\n", lambda r: r.attenuation(1), 12.0, True),
    Act(
        "radio_head",
        "mend 1",
        b"mend 1 learning 40\n",
        lambda r: r.corrections_state(1).progress_percent,
        40.0,
        True,
    ),
)


@dataclass
class Report:
    """What came of many answers, and what is wrong."""

    came: Counter[str] = field(default_factory=Counter)
    longest_s: float = 0.0
    wrong: list[tuple[str, bytes, str]] = field(default_factory=list)

    def __str__(self) -> str:
        counts = ", ".join(f"{number} {what}" for what, number in sorted(self.came.items()))
        return (
            f"{self.came.total()} answers: {counts}; longest {self.longest_s:.1f} s; {len(self.wrong)} wrong"
        )


class _Once:
    """Answers badly once, then as it is."""

    def __init__(self, bad: bytes, good: bytes) -> None:
        self.bad: bytes | None = bad
        self.good = good

    def __call__(self, query: str) -> bytes:
        bad, self.bad = self.bad, None
        return self.good if bad is None else bad


def _instrument(act: Act, bad: bytes, resource: str) -> tuple[FakeBench, Any]:
    found = FakeBench(resource)
    once = _Once(bad, act.answer)
    if act.driver == "radio_head":
        _console(found, act, once)
    else:
        found.instrument.answers[act.query.upper()] = once
    item = open_instrument(
        DIALECTS[act.driver],
        name="it",
        clock=found.clock,
        resource_manager=found.manager,
        resource=resource,
        transcript=found.transcript,
    )
    return found, item


def _console(found: FakeBench, act: Act, once: _Once) -> None:
    def receive(data: bytes) -> None:
        for line in data.decode("utf-8", "replace").splitlines():
            answer = once(line) if line == act.query else b"about model=PH2 serial=1 build=4\n"
            found.instrument.output += line.encode() + b"\n" + answer + b"ph> "

    found.instrument.receive = receive  # type: ignore[method-assign]


DIALECTS = {name: load_dialect(name, Lab(None)) for name in {act.driver for act in ACTS}}


def fuzz(count: int, seed: int) -> Report:
    """Put ``count`` bad answers to the session and hold what comes back against what may."""
    rng, report = random.Random(seed), Report()
    for _ in range(count):
        act = rng.choice(ACTS)
        resource = SOCKET if act.driver == "radio_head" or rng.random() < 0.6 else INSTR
        bad = mutilated(rng, act.answer)
        found, item = _instrument(act, bad, resource)
        start_s = found.clock.now()
        came = _came(act, item, bad)
        took_s = found.clock.now() - start_s
        report.longest_s = max(report.longest_s, took_s)
        if took_s > LONGEST_S:
            came = f"WRONG: took {took_s:.1f} s"
        if came.startswith("WRONG"):
            report.wrong.append((f"{act.query} over {resource.rpartition('::')[2]}", bad, came))
            came = "WRONG"
        report.came[came] += 1
    return report


def _came(act: Act, item: Any, bad: bytes) -> str:
    try:
        value = act.do(item)
    except HilkitError as error:
        return "an error" if str(error).strip() else "WRONG: an error without a word"
    except Exception:
        return f"WRONG: {traceback.format_exc()}"
    if value == act.true:
        return "the true value"
    if _plausible(act, bad, value):
        return "an answer that could be true"
    return f"WRONG: {value!r} taken for a reading, {act.true!r} is true"


def _plausible(act: Act, bad: bytes, value: Any) -> bool:
    """Return whether a bad answer cannot be told from a true one."""
    if act.number and value is not None:
        return any(_is(piece, value) for piece in _numbers(act, bad))
    if isinstance(value, list):
        return len(value) == POINTS and bool(np.all(np.abs(value) < INFINITE)) and bad[:5] == b"#3404"
    return True


def _numbers(act: Act, bad: bytes) -> list[bytes]:
    if act.driver != "radio_head":
        return [bad.split(b"\n")[0].rstrip(b"\r"), bad.rstrip(b"\r\n")]
    return re.findall(rb"[0-9.]+", bad)


def _is(piece: bytes, value: Any) -> bool:
    return (
        bool(NRF.fullmatch(piece))
        and abs(float(piece)) < INFINITE
        and abs(float(piece) - float(value)) <= 0.5
    )
