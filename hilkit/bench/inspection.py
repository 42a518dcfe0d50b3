"""A look at the whole bench that changes no setting: who answers, what is wrong, and what to do about it.

No ``*RST``, no ``*CLS``. The error queues are read, which empties them (SCPI has no other way to see them):
what was in them is in the report, in full. A self-test is run only when asked for and where the driver calls
it harmless.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from hilkit.bench.connected import identity_mismatch, open_one
from hilkit.bench.interlocks import Interlock, Seen, look_at
from hilkit.bench.lock import bench_lock
from hilkit.bench.outputs import look_at_outputs, selection_kept
from hilkit.bench.path import PathError
from hilkit.bench.spec import Bench, InstrumentSpec
from hilkit.errors import HilkitError, LinkError

if TYPE_CHECKING:
    from hilkit.clock import Clock
    from hilkit.files import Lab
    from hilkit.instruments import Transcript

__all__ = ["Finding", "InspectionReport", "InstrumentLook", "PathLook", "inspect"]

SOON = dt.timedelta(days=30)
"""A calibration that runs out this soon is worth a word."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something found: ``wrong`` keeps the bench from being used as it is, ``note`` is good to know."""

    weight: Literal["wrong", "note"]
    about: str
    sentence: str
    what_to_do: str


@dataclass(kw_only=True)
class InstrumentLook:
    """What was seen of one instrument; texts for people, empty where nothing was seen or asked.

    ``reached`` says that something answered, ``identity`` what: empty where the answer is none of this kind.
    """

    name: str
    driver: str
    address: str
    expected: str
    identity: str = ""
    rf: str = ""
    outputs: tuple[str, ...] = ()
    errors: tuple[str, ...] = ()
    reference: str = ""
    calibration: str = ""
    self_test: str = ""
    interlocks: tuple[str, ...] = ()
    reached: bool = False


@dataclass(frozen=True, kw_only=True)
class PathLook:
    """One path: the frequencies in Hz between which its loss is known, and the loss in dB at the band edges.

    The loss is that with the step attenuator at 0 dB, ``None`` where it is not known.
    """

    channel: int
    name: str
    nodes: tuple[str, ...]
    coverage_hz: tuple[float, float]
    losses: tuple[tuple[float, float | None], ...]


@dataclass(kw_only=True)
class InspectionReport:
    """All of it, for one screen."""

    bench: str
    simulation: str | None
    instruments: list[InstrumentLook] = field(default_factory=list)
    paths: list[PathLook] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """True when nothing is wrong; notes do not count."""
        return not any(finding.weight == "wrong" for finding in self.findings)


def inspect(
    bench: Bench,
    resource_manager: Any,
    clock: Clock,
    transcript: Transcript,
    lab: Lab,
    *,
    self_test: bool = False,
) -> InspectionReport:
    """Connect to everything on the bench, look, disconnect; one that fails does not hide the others.

    Holds the bench lock meanwhile: raises ``BenchBusyError`` where another run has it, and nothing else of
    the bench.
    """
    report = InspectionReport(bench=bench.name, simulation=bench.simulation)
    with bench_lock(bench):
        for spec in (*bench.instruments.values(), bench.radio_spec):
            look, findings = _look_at(spec, bench, resource_manager, clock, transcript, self_test)
            report.instruments.append(look)
            report.findings += findings
    for channel in bench.channels:
        look_path, findings = _look_at_path(bench, channel)
        report.paths.append(look_path)
        report.findings += findings
    return report


def _look_at(
    spec: InstrumentSpec,
    bench: Bench,
    resource_manager: Any,
    clock: Clock,
    transcript: Transcript,
    self_test: bool,
) -> tuple[InstrumentLook, list[Finding]]:
    expected = " ".join(text for text in (spec.model, spec.serial) if text) or "anything"
    look = InstrumentLook(name=spec.name, driver=spec.driver, address=spec.address, expected=expected)
    findings = list(_calibration(spec, look, clock.utc().date()))
    try:
        item = open_one(spec, resource_manager, clock, transcript)
    except HilkitError as error:
        return look, [*findings, _told(spec, error, "check power, cable and address")]
    try:
        findings += _identity(spec, item, look)
        for step in (_rf, _outputs, _errors, _reference, _interlocks, _self_test if self_test else None):
            if step is not None:
                findings += _tried(step, spec, item, look, bench)
    except HilkitError as error:  # what does not say who it is need not be asked anything else
        look.reached = not isinstance(error, LinkError)
        findings.append(_told(spec, error, "check power, cable and address"))
    finally:
        item.close()
    return look, findings


def _tried(step: Any, spec: InstrumentSpec, item: Any, look: InstrumentLook, bench: Bench) -> list[Finding]:
    try:
        return list(step(spec, item, look, bench))
    except HilkitError as error:
        return [_told(spec, error, "look at the instrument")]


def _identity(spec: InstrumentSpec, item: Any, look: InstrumentLook) -> list[Finding]:
    identity = item.identity()
    look.reached = True
    parts = (getattr(identity, "maker", ""), identity.model, identity.serial, identity.firmware)
    look.identity = " ".join(part for part in parts if part)
    sentence = identity_mismatch(spec, identity)
    hint = f"check the cabling and the address {spec.address}, or correct the bench file"
    return [_wrong(spec, sentence, hint)] if sentence else []


def _rf(spec: InstrumentSpec, item: Any, look: InstrumentLook, bench: Bench) -> Iterator[Finding]:
    """No run of hilkit is at work, since the bench lock is held here: RF that is on was left on."""
    if spec.instrument_class == "radio":
        states = {f"channel {n}": (item.rf(n), f"{item.attenuation(n):g} dB") for n in bench.channels}
        look.rf = "; ".join(
            f"{name}: {'ON' if on else 'off'}, attenuation {db}" for name, (on, db) in states.items()
        )
        told = [f"RF of {name} is on, at attenuation {db}" for name, (on, db) in states.items() if on]
    elif spec.instrument_class == "signal_generator":
        output = item.output()
        look.rf = "ON" if output else "off"
        told = ["its RF is on"] if output else []
    else:
        return
    hint = "touch no connector; 'hilkit run' turns it off before anything else, else switch the supply off"
    for sentence in told:
        yield _wrong(spec, sentence, hint)


def _outputs(spec: InstrumentSpec, item: Any, look: InstrumentLook, bench: Bench) -> Iterator[Finding]:
    if spec.instrument_class != "dc_supply":
        return
    seen = look_at_outputs(item, bench)
    look.outputs = tuple(each.text for each in seen)
    for each in seen:
        if each.tripped:
            sentence = f"the {each.tripped} protection has switched output {each.output} off"
            yield _wrong(spec, sentence, "find the short or the wrong setting, then clear it at the supply")


def _errors(spec: InstrumentSpec, item: Any, look: InstrumentLook, bench: Bench) -> Iterator[Finding]:
    look.errors = tuple(str(entry) for entry in item.errors())
    if look.errors:
        entries = "; ".join(look.errors)
        yield Finding(
            weight="note",
            about=spec.name,
            sentence=f"its error queue held {entries}",
            what_to_do="earlier commands left this; reading has emptied it: look again to see if it fills",
        )


def _reference(spec: InstrumentSpec, item: Any, look: InstrumentLook, bench: Bench) -> Iterator[Finding]:
    if spec.instrument_class in ("signal_analyser", "signal_generator"):
        locked, source = item.status().reference_locked, item.read("reference_source")
        look.reference = (
            f"{source}, " + {True: "locked", False: "not locked", None: "cannot say if locked"}[locked]
        )
        if locked is False:
            yield _wrong(spec, "it is not locked to its reference", "check the reference cable and its level")
        if source != bench.reference:
            hint = f"a run sets it to {bench.reference}; to see now if it locks, set it at the instrument"
            yield _note(spec, f"its reference is {source}, the bench file wants {bench.reference}", hint)
    elif spec.instrument_class == "radio":
        look.reference = item.reference_state()
        if look.reference == "seeking":
            yield _note(spec, "it is still seeking its reference", "wait, and look again")
        elif look.reference != "locked":
            yield _wrong(
                spec, f"its reference is {look.reference}", "check the reference cable and its level"
            )


def _interlocks(spec: InstrumentSpec, item: Any, look: InstrumentLook, bench: Bench) -> Iterator[Finding]:
    """Read what can be read with RF off; what a run sets up itself, lock and supply, is a note."""
    lines: list[str] = []
    for interlock in bench.interlocks.values():
        if interlock.instrument != spec.name:
            continue
        if interlock.with_rf:
            noun, allowed = interlock.readable.noun, interlock.allowed
            lines.append(f"{interlock.name}: {noun} is read with RF on only, and must be {allowed}")
            continue
        seen = _seen(interlock, item)
        lines.append(f"{interlock.name}: {seen.sentence}")
        if not seen.held:
            set_up_by_run = interlock.read == "reference" or spec.instrument_class == "dc_supply"
            told = _note if set_up_by_run else _wrong
            yield told(spec, f"interlock {interlock.name!r}: {seen.sentence}", seen.next_step)
    look.interlocks = tuple(lines)


def _seen(interlock: Interlock, item: Any) -> Seen:
    """Read an interlock; of a supply the output that was selected at its front panel is selected again."""
    if interlock.readable.of != "output":
        return look_at(interlock, item)
    with selection_kept(item):
        return look_at(interlock, item)


def _self_test(spec: InstrumentSpec, item: Any, look: InstrumentLook, bench: Bench) -> Iterator[Finding]:
    if spec.dialect.self_test is None or not spec.dialect.self_test.harmless:
        look.self_test = "not declared harmless, not run"
        return
    look.self_test = item.self_test() or "passed"
    if look.self_test != "passed":
        yield _wrong(
            spec, f"its self-test says {look.self_test}", "look the result up in the instrument's manual"
        )


def _calibration(spec: InstrumentSpec, look: InstrumentLook, today: dt.date) -> Iterator[Finding]:
    due = spec.calibration_due
    if due is None:
        look.calibration = "no date given"
    elif due < today:
        look.calibration = f"overdue since {due}"
        yield _wrong(
            spec, f"its calibration ran out on {due}", "have it calibrated, then correct the bench file"
        )
    elif due - today <= SOON:
        look.calibration = f"due {due}, within {SOON.days} days"
        yield _note(spec, f"its calibration runs out on {due}", "book its calibration")
    else:
        look.calibration = f"due {due}"


def _look_at_path(bench: Bench, channel: int) -> tuple[PathLook, list[Finding]]:
    path = bench.path(channel)
    losses: list[tuple[float, float | None]] = []
    findings = []
    for edge in dict.fromkeys(edge for band in bench.radio.bands_hz for edge in band):
        try:
            losses.append((edge, path.loss_db(edge)))
        except PathError as error:
            losses.append((edge, None))
            findings.append(
                Finding(
                    weight="wrong",
                    about=f"path {path.name}",
                    sentence=error.message,
                    what_to_do=error.next_step,
                )
            )
    look = PathLook(
        channel=channel, name=path.name, nodes=path.nodes, coverage_hz=path.coverage_hz, losses=tuple(losses)
    )
    return look, findings


def _told(spec: InstrumentSpec, error: HilkitError, else_do: str) -> Finding:
    return _wrong(spec, error.message.removeprefix(f"{spec.name}: "), error.next_step or else_do)


def _wrong(spec: InstrumentSpec, sentence: str, what_to_do: str) -> Finding:
    return Finding(weight="wrong", about=spec.name, sentence=sentence, what_to_do=what_to_do)


def _note(spec: InstrumentSpec, sentence: str, what_to_do: str) -> Finding:
    return Finding(weight="note", about=spec.name, sentence=sentence, what_to_do=what_to_do)
