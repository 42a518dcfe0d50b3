"""Tables of the manual that repeat data of the code, made from the code.

``python -m tests.manual.tables`` puts them into the chapters again after the code has changed: under the
heading that each belongs to, in place of the table that stands there with the same first row.
"""

from __future__ import annotations

import types
import typing
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from hilkit.quantities import Between, Quantity

__all__ = ["TABLES", "Table"]

Rows = Iterable[Iterable[str]]


class Table:
    """One table: where it stands, its first row, and where its rows come from."""

    def __init__(self, chapter: str, heading: str, head: str, rows: Callable[[], Rows]) -> None:
        self.chapter, self.heading = chapter, heading
        self.head = f"| {' | '.join(part.strip() for part in head.split('|'))} |"
        self.rows = rows

    def __str__(self) -> str:
        return f"{self.chapter}: {self.heading}: {self.head}"

    def text(self) -> str:
        """Return the table in Markdown."""
        rule = "|" + "---|" * self.head.count(" | ") + "---|"
        body = [f"| {' | '.join(_cell(cell) for cell in row)} |" for row in self.rows()]
        return "\n".join([self.head, rule, *body])


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", "\\n")


# --- keys of a file, settings of a procedure


def keys_of(model: type[BaseModel], skip: tuple[str, ...] = ()) -> Rows:
    """Yield key, what stands there, what it stands for where it is left out."""
    for name, field in model.model_fields.items():
        key = field.alias or name
        if key in skip:
            continue
        absent = "needed" if field.is_required() else _default(field)
        ranges = [str(part) for part in field.metadata if isinstance(part, Between)]
        yield f"`{key}`", "; ".join([_kind(field.annotation), *ranges]), absent, field.description or ""


def _default(field: Any) -> str:
    value = field.default
    if field.default_factory is not None or value is None or value is PydanticUndefined:
        return "-"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, BaseModel):
        return "as its keys say"
    if isinstance(value, tuple):
        return ", ".join(map(str, value)) or "-"
    text = str(value)
    return repr(text).strip("'") if text else "-"


def _kind(annotation: Any) -> str:
    """Say in words what a key holds."""
    origin, parts = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return _kind(parts[0])
    if origin in (typing.Union, types.UnionType):
        return " or ".join(dict.fromkeys(_kind(part) for part in parts if part is not type(None)))
    if origin is typing.Literal:
        return ", ".join(repr(part).strip("'") for part in parts)
    if origin in (list, tuple):
        inner = dict.fromkeys(_kind(part) for part in parts if part is not Ellipsis)
        return f"list of {', '.join(inner)}"
    if origin is dict:
        return f"{_kind(parts[0])}: {_kind(parts[1])}"
    if isinstance(annotation, type) and issubclass(annotation, Quantity):
        return f"{annotation.noun.split(' ', 1)[1]} such as {annotation.example}"
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "keys"
    plain = {str: "text", int: "whole number", float: "number", bool: "true or false", Any: "value"}
    return plain.get(annotation, getattr(annotation, "__name__", str(annotation)))


# --- the rows


def exit_codes() -> Rows:
    from hilkit.errors import ExitCode

    return ((str(int(code)), code.meaning) for code in ExitCode)


def commands() -> Rows:
    from hilkit.cli.door import COMMANDS

    return ((f"`hilkit {name}`", summary) for name, summary in COMMANDS.items())


def options(command: str) -> Callable[[], Rows]:
    def rows() -> Rows:
        import importlib

        import click

        found = importlib.import_module(f"hilkit.cli.{command}_command").command
        for option in found.params:
            if isinstance(option, click.Option):
                value = "" if option.is_flag else f" {option.make_metavar(click.Context(found))}"
                yield f"`{option.opts[0]}{value}`", option.help or ""

    return rows


def self_checks() -> Rows:
    from hilkit.judgement import SELF_CHECKS

    for name, check in SELF_CHECKS.items():
        yield name, check.proves, check.without, check.why


def kinds_of_quantity() -> Rows:
    from hilkit.quantities.quantity import kinds

    for kind in kinds():
        yield kind.noun, f"`{kind.example}`", " ".join(f"`{symbol}`" for symbol in kind.symbols())


def reading_units() -> Rows:
    from hilkit.quantities.limits import READING_UNITS, difference_unit

    for unit, kind in READING_UNITS.items():
        yield f"`{unit}`", kind.noun if kind else "a plain number", f"`{difference_unit(unit)}`"


def element_kinds() -> Rows:
    from hilkit.bench.model import ELEMENT_KINDS

    for name, keys in ELEMENT_KINDS.items():
        must = [f"`{key}`" for key in keys.must]
        if keys.one_of:
            must.append(" or ".join(f"`{key}`" for key in keys.one_of))
        yield f"`{name}`", keys.meaning, ", ".join(must), ", ".join(f"`{key}`" for key in keys.may)


def capabilities(instrument_class: str) -> Callable[[], Rows]:
    def rows() -> Rows:
        from hilkit.instruments.classes import find_class

        found = find_class(instrument_class)
        assert found is not None
        for spec in found.CAPABILITIES.values():
            access = {"r": "asked", "w": "set", "rw": "set, asked"}[spec.access]
            kind = {"number": spec.unit, "integer": "count"}.get(spec.kind, "")
            kind = kind or {"boolean": "on, off", "word": ", ".join(spec.words)}.get(spec.kind, spec.kind)
            yield f"`{spec.name}`", spec.meaning, access, kind, "yes" if spec.required else ""

    return rows


def shipped(folder: str, *keys: str) -> Callable[[], Rows]:
    def rows() -> Rows:
        from hilkit.files import library, load

        for path in sorted((library() / folder).glob("*.yaml")):
            data = load(path).data
            if not path.name.endswith(".bench.yaml"):
                yield f"`{path.stem}`", *(str(data.get(key, "")) for key in keys)

    return rows


def interlock_reads() -> Rows:
    from hilkit.bench.interlocks import READS

    for its_class, reads in READS.items():
        for name, readable in reads.items():
            words = " or ".join(f"`is: {word}`" for word in readable.words)
            yield (
                its_class.replace("_", " "),
                f"`{name}`",
                readable.noun,
                words or f"min, max in {readable.unit}",
            )


def fault_kinds() -> Rows:
    from hilkit.sim.faults import KINDS

    return ((f"`{name}`", kind.does, kind.noticed, f"{kind.deadline_s:g} s") for name, kind in KINDS.items())


def settings(procedure: str) -> Callable[[], Rows]:
    def rows() -> Rows:
        from hilkit.procedures import find

        return keys_of(find(procedure).settings_model)

    return rows


def readings(procedure: str) -> Callable[[], Rows]:
    def rows() -> Rows:
        from hilkit.procedures import find

        for spec in find(procedure).readings:
            phases = ", ".join(
                f"**{phase}**" if phase == spec.final_phase else phase for phase in spec.phases
            )
            series = f"by {spec.index_name} ({spec.index_unit})" if spec.series else ""
            yield f"`{spec.name}`", spec.unit, spec.meaning, phases, series

    return rows


def modelled(path: str, skip: tuple[str, ...] = ()) -> Callable[[], Rows]:
    def rows() -> Rows:
        import importlib

        module, name = path.rsplit(".", 1)
        return keys_of(getattr(importlib.import_module(module), name), skip)

    return rows


KEY_HEAD = "key | holds | left out | meaning"
SETTING_HEAD = "setting | holds | left out | meaning"
READING_HEAD = "reading | unit | meaning | phases | series"
OPTION_HEAD = "option | what it does"
CAPABILITY_HEAD = "capability | meaning | access | value | needed"
PROCEDURES = (
    "bring_up",
    "tone_placement",
    "power_sweep",
    "channel_power",
    "occupied_bandwidth",
    "adjacent_leakage",
    "emission_mask",
    "spurious_search",
    "retune",
    "intermodulation",
    "compression",
    "frequency_error",
    "gain_flatness",
    "phase_noise",
    "power_dynamic_range",
    "path_calibration",
    "path_verification",
    "noise_figure",
    "receiver_gain",
    "receiver_intercept",
    "receiver_responses",
    "sensitivity",
)
INSTRUMENTS = (
    "signal_analyser",
    "step_attenuator",
    "switch_matrix",
    "signal_generator",
    "power_meter",
    "dc_supply",
    "noise_source",
    "radio",
)

PROFILE_SECTIONS = {
    "The whole file": "hilkit.sim.profile.ProfileFile",
    "reference": "hilkit.sim.profile.ReferenceProfile",
    "radio": "hilkit.sim.profile_radio.RadioProfile",
    "A channel of the radio": "hilkit.sim.profile_radio.ChannelProfile",
    "modulator": "hilkit.sim.profile_radio.ModulatorProfile",
    "amplifier": "hilkit.sim.profile_radio.AmplifierProfile",
    "attenuator": "hilkit.sim.profile_radio.AttenuatorProfile",
    "synthesiser": "hilkit.sim.profile_radio.SynthesiserProfile",
    "corrections": "hilkit.sim.profile_radio.CorrectionProfile",
    "analysers": "hilkit.sim.profile.AnalyserProfile",
    "pads": "hilkit.sim.profile.PadProfile",
    "relays": "hilkit.sim.profile.RelayProfile",
    "paths": "hilkit.sim.profile.PathProfile",
    "generators": "hilkit.sim.profile.GeneratorProfile",
    "power_meters": "hilkit.sim.profile.PowerMeterProfile",
    "supplies": "hilkit.sim.profile.SupplyProfile",
    "outputs": "hilkit.sim.profile_supply.OutputProfile",
    "draw": "hilkit.sim.profile_supply.DrawProfile",
    "noise_sources": "hilkit.sim.profile_receive.NoiseSourceProfile",
    "receive": "hilkit.sim.profile_receive.ReceivePathProfile",
    "receiver": "hilkit.sim.profile_receive.ReceiverProfile",
    "frames": "hilkit.sim.profile_receive.FramesProfile",
    "faults": "hilkit.sim.profile.Fault",
}

TABLES = [
    Table("running", "Exit codes", "code | meaning", exit_codes),
    Table("running", "The commands", "command | what it does", commands),
    Table("running", "Options of hilkit run", OPTION_HEAD, options("run")),
    Table("simulated_bench", "Options of hilkit serve", OPTION_HEAD, options("serve")),
    Table("simulated_bench", "Options of hilkit talk", OPTION_HEAD, options("talk")),
    Table("quantities", "Kinds and units", "kind | example | units", kinds_of_quantity),
    Table("quantities", "Units of readings", "unit | kind | unit of a difference", reading_units),
    Table("bench_file", "Kinds of element", "kind | what it is | needs | may have", element_kinds),
    Table("bench_file", "Keys of the file", KEY_HEAD, modelled("hilkit.bench.BenchFile")),
    Table("bench_file", "instruments", KEY_HEAD, modelled("hilkit.bench.model.InstrumentEntry")),
    Table("bench_file", "radio", KEY_HEAD, modelled("hilkit.bench.model.RadioEntry")),
    Table("bench_file", "paths", KEY_HEAD, modelled("hilkit.bench.model.ElementEntry")),
    Table("bench_file", "Keys of a figure", KEY_HEAD, modelled("hilkit.bench.accuracy.RatioFigure")),
    Table(
        "bench_file",
        "Accuracy of an instrument",
        KEY_HEAD,
        modelled("hilkit.bench.accuracy.InstrumentAccuracy"),
    ),
    Table("bench_file", "watchdog", KEY_HEAD, modelled("hilkit.bench.watch.WatchEntry")),
    Table(
        "bench_file",
        "Keys of an interlock",
        KEY_HEAD,
        modelled("hilkit.bench.interlock_entries.InterlockEntry"),
    ),
    Table(
        "bench_file",
        "What an interlock can read",
        "of | `read` | what it is | allowed by",
        interlock_reads,
    ),
    Table("bench_file", "supplies", KEY_HEAD, modelled("hilkit.bench.supplies.SupplyEntry")),
    Table("bench_file", "second_means", KEY_HEAD, modelled("hilkit.bench.supplies.SecondMeansEntry")),
    Table("bench_file", "receive_paths", KEY_HEAD, modelled("hilkit.bench.model.ReceivePathEntry")),
    Table("bench_file", "Keys of an input", KEY_HEAD, modelled("hilkit.bench.model.ReceiveInputEntry")),
    Table("bench_file", "ramp", KEY_HEAD, modelled("hilkit.bench.model.RampEntry")),
    Table("bench_file", "planes", KEY_HEAD, modelled("hilkit.bench.model.PlaneEntry")),
    Table("bench_file", "Accuracy of the radio", KEY_HEAD, modelled("hilkit.bench.accuracy.RadioAccuracy")),
    Table(
        "bench_file", "Correlations", KEY_HEAD, modelled("hilkit.bench.correlation_entries.CorrelationEntry")
    ),
    Table(
        "procedures",
        "Settings of emission_mask",
        KEY_HEAD,
        modelled("hilkit.procedures.emission_mask.MaskPart"),
    ),
    Table(
        "procedures",
        "Settings of spurious_search",
        KEY_HEAD,
        modelled("hilkit.procedures.spurious_search.SpuriousRange"),
    ),
    Table("plan_file", "Keys of the file", KEY_HEAD, modelled("hilkit.plans.PlanFile")),
    Table("limits_and_verdicts", "Keys of a limit", KEY_HEAD, modelled("hilkit.judgement.LimitFile")),
    Table(
        "standards", "Keys of a published limit", KEY_HEAD, modelled("hilkit.plans.published.PublishedFile")
    ),
    Table(
        "driver_file",
        "The driver file: how one instrument is spoken to",
        "driver | class | what it is",
        shipped("drivers", "instrument_class", "summary"),
    ),
    Table("plan_file", "Plans that come with hilkit", "plan | title", shipped("sequences", "plan")),
    Table("driver_file", "Keys of the file", KEY_HEAD, modelled("hilkit.instruments.DriverFile")),
    Table(
        "driver_file",
        "Keys of a capability",
        KEY_HEAD,
        modelled("hilkit.instruments.driver_file.CapabilityEntry"),
    ),
    *(
        Table("driver_file", name, KEY_HEAD, modelled(f"hilkit.instruments.driver_file.{model}"))
        for name, model in (("serial", "SerialEntry"), ("sweep_time", "SweepTimeEntry"))
    ),
    Table("driver_file", "trace", KEY_HEAD, modelled("hilkit.instruments.driver_file.TraceEntry")),
    Table("driver_file", "line", KEY_HEAD, modelled("hilkit.instruments.driver_file.LineEntry")),
    *(Table("driver_file", name, CAPABILITY_HEAD, capabilities(name)) for name in INSTRUMENTS),
    *(Table("procedures", name, SETTING_HEAD, settings(name)) for name in PROCEDURES),
    *(Table("procedures", name, READING_HEAD, readings(name)) for name in PROCEDURES),
    Table(
        "self_checks",
        "What a missing check means",
        "check | what it proves | without it | why",
        self_checks,
    ),
    *(Table("profile_file", name, KEY_HEAD, modelled(path)) for name, path in PROFILE_SECTIONS.items()),
    Table(
        "profile_file",
        "Kinds of fault",
        "kind | what it does to the line that it strikes | noticed by | within",
        fault_kinds,
    ),
]


def _written_again(text: str, table: Table) -> str:
    """Return a chapter with ``table`` in place of the one that stands under its heading."""
    lines = text.splitlines()
    start = next(i for i, line in enumerate(lines) if line.strip("# `") == table.heading and line[:1] == "#")
    first = next(i for i in range(start, len(lines)) if lines[i] == table.head)
    last = next((i for i in range(first, len(lines)) if not lines[i].startswith("|")), len(lines))
    return "\n".join([*lines[:first], table.text(), *lines[last:]]) + "\n"


def _changed() -> Iterator[str]:
    folder = Path(__file__).parents[2] / "hilkit" / "manual"
    for table in TABLES:
        path = folder / f"{table.chapter}.md"
        before = path.read_text(encoding="utf-8")
        after = _written_again(before, table)
        if after != before:
            path.write_text(after, encoding="utf-8", newline="\n")
            yield str(table)


if __name__ == "__main__":
    for changed in _changed():
        print(changed)
