"""What decides the readings of a run, each part with its SHA-256 or version.

A run that is resumed must find all of it unchanged.
Only content counts: comments, layout, the order of keys and the unit that a quantity is written in do not.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from hilkit import __version__
from hilkit.bench import Bench
from hilkit.bench.model import BenchFile
from hilkit.errors import HilkitError
from hilkit.files import Lab, load, loads
from hilkit.files.salvage import sound_parts
from hilkit.plans import Combination, Plan, Step, step_content
from hilkit.quantities import Quantity

__all__ = ["changes", "fingerprint"]

_FILE = re.compile(r"^[^:*?]{1,200}\.[A-Za-z][A-Za-z0-9]{0,5}$")
"""What can be the name of a file: it ends in a dot and a few letters, unlike a level or an address."""

_IN_PARTS = ("instruments", "paths", "ratings", "planes")
"""Keys of the bench file of which each entry counts by itself."""


def fingerprint(plan: Plan, bench: Bench, lab: Lab) -> dict[str, str]:
    """Return the name of every part with its digest or version, without touching an instrument."""
    parts = {"hilkit": __version__}
    parts |= dict(_of_plan(plan))
    parts |= dict(_of_bench(bench, lab))
    return parts


def changes(before: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    """Return a sentence on every part that is not as it was."""
    told = []
    for name in dict.fromkeys((*before, *now)):
        old, new = before.get(name), now.get(name)
        if old == new:
            continue
        if old is None or new is None:
            told.append(f"{name} {'is new' if old is None else 'is gone'}")
        elif len(old) == len(new) == _DIGITS:
            told.append(f"{name} has changed")
        else:
            told.append(f"{name} was {old} and is {new}")
    return told


def _of_plan(plan: Plan) -> Iterator[tuple[str, str]]:
    yield "title of the plan", plan.title
    yield "allow_expired_calibration of the plan", _digest(plan.allow_expired_calibration)
    yield "vary of the plan", _digest([combination.vary for combination in plan.combinations])
    yield "order of the steps", " ".join(step.id for step in plan.steps)
    for step in plan.steps:
        content = [_of_step(step, combination) for combination in plan.combinations]
        yield f"step {step.id}", _digest(content)
        yield f"version of procedure {step.procedure.name}", str(step.procedure.version)


def _of_step(step: Step, combination: Combination) -> dict[str, Any]:
    """Return what decides a step besides the versions, which are told by themselves."""
    content = step_content(step, combination)
    return {name: value for name, value in content.items() if name not in ("hilkit", "version")}


def _of_bench(bench: Bench, lab: Lab) -> Iterator[tuple[str, str]]:
    document = loads(bench.text, str(bench.file))
    entry, _ = sound_parts(document, BenchFile)
    for key in BenchFile.model_fields:
        value = getattr(entry, key, None)
        if key in _IN_PARTS and isinstance(value, Mapping):
            for name, part in value.items():
                yield f"{key} {name} of the bench file", _digest(_plain(part))
        else:
            yield f"{key} of the bench file", _digest(_plain(value))
    for spec in (*bench.instruments.values(), bench.radio_spec):
        yield f"driver {spec.driver}", _digest([_of_file(file) for file in spec.dialect.files])
    yield from _files(document.data, bench.file, lab)
    if bench.rehearsed:
        yield "what stands on the bench", _digest("simulated counterparts")
    elif bench.simulation is not None:
        profile = lab.find("profile", bench.simulation, relative_to=bench.file.parent)
        truth = load(profile)
        # A fault that broke the run may be taken out, as it would be mended on a real bench.
        physics = {key: value for key, value in truth.data.items() if key != "faults"}
        yield f"simulated bench {bench.simulation}", _digest(physics)
        yield from _files(truth.data, profile, lab)


def _of_file(file: Path) -> str:
    found = file.stat()
    return _of_content(file, found.st_mtime_ns, found.st_size)


@lru_cache(maxsize=64)
def _of_content(file: Path, changed_ns: int, size: int) -> str:
    """Return the digest of a YAML file's content; read again where the file has another time or size."""
    return _digest(load(file).data)


def _files(data: Any, file: Path, lab: Lab) -> Iterator[tuple[str, str]]:
    """Yield the data files that a file names: networks, calibrations, pictures."""
    for name in dict.fromkeys(_texts(data)):
        if not _FILE.search(name):
            continue
        try:
            path = lab.data_file(name, beside=file.parent)
        except HilkitError:
            continue  # a text that only looks like a file
        yield f"file {name}", hashlib.sha256(path.read_bytes()).hexdigest()


def _texts(data: Any) -> Iterator[str]:
    if isinstance(data, str):
        yield data
    elif isinstance(data, Mapping):
        for value in data.values():
            yield from _texts(value)
    elif isinstance(data, list):
        for value in data:
            yield from _texts(value)


def _plain(value: Any) -> Any:
    """Return content in which equal values look equal."""
    if isinstance(value, BaseModel):
        return {name: _plain(getattr(value, name)) for name in type(value).model_fields}
    if isinstance(value, Quantity):
        return [type(value).__name__, value.base]
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value


def _digest(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


_DIGITS = len(_digest(None))
