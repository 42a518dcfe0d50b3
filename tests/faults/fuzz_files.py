"""Bad plan, bench, driver and profile files without end: the shipped ones, mutilated."""

from __future__ import annotations

import copy
import io
import random
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import redirect_stdout
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import yaml

from hilkit.cli.check_command import _checked
from hilkit.errors import FileProblems, HilkitError
from hilkit.files import library

__all__ = ["KINDS", "Report", "fuzz", "look_at", "mutilated", "seeds"]

FOLDERS = {"plan": "sequences", "driver": "drivers", "profile": "sim_profiles", "bench": "sim_profiles"}
KINDS = tuple(FOLDERS)
LONGEST_S = 1.0

WORDS = (
    "null", "~", "true", "off", "0", "-1", "1e999", "nan", ".inf", "0x10", "9" * 400, '""', "' '", "[]",
    "{}", "[[[[[[", "{a: {b: {c: [1]}}}", "&a", "*a", "<<: *a", "!!python/object/apply:os.system [x]",
    "!x", "%YAML 9", "---", "...", "\t", "\x00", "\x7f", "\ufeff", "\u2028", "é", "💡", "# ", ": ", "- ",
    "? ", "|", ">-", "@", "`", "$channel", "$", "$x + 1 dB", "$a - $a", "1 GHz", "-5 dBm", "1e400 Hz",
    "0 dB", "-0 Hz", "1 parsec", "5 V", "../../etc/passwd", "/etc/passwd", "C:\\x", "\\\\host\\x",
    "file://x", "TCPIP0::::SOCKET", "ASRL::INSTR", "(?P<value>", "(a+)+$", "[", "(?P<x>.)(?P<x>.)",
    "{value", "{channel}", "{0}", "%s", "\\", "\n", "\r\n", "a" * 5000,
)  # fmt: skip
VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 10**400, 1.5, float("inf"), float("nan"), "", " ", "x", "$channel",
    "$nobody", "5 dB", "-5 dB", "1 GHz", "0 Hz", "-1 Hz", "1 s", "-1 s", "1e300 Hz", "1e-300 s", "20 dBm",
    "500 dBm", "3 V", "100 %", "1 ppm", [], {}, [[]], [None], [1, 2, 3], ["5 dB", "x"], {"a": 1},
    {"min": "1 dB"}, {"phase": "x"}, {"": ""}, "external", "(?P<value>[", "{value}{value}", "\u0000",
    "\ud83d\ude00", "a" * 3000, [0] * 300,
)  # fmt: skip


@cache
def seeds() -> tuple[tuple[str, str, str], ...]:
    """The shipped files, as kind, name and text."""
    found = []
    for kind, folder in FOLDERS.items():
        for path in sorted((library() / folder).glob("*.yaml")):
            if path.name.endswith(".bench.yaml") == (kind == "bench"):
                found.append((kind, path.name, path.read_text(encoding="utf-8")))
    return tuple(found)


def mutilated(rng: random.Random) -> tuple[str, str, bytes]:
    """Return kind, name and content of one bad file; a few of them are still good."""
    kind, name, text = rng.choice(seeds())
    if rng.random() < 0.4:
        return kind, name, _grafted(rng, text).encode("utf-8", "surrogatepass")
    data = bytearray(text.encode("utf-8"))
    for _ in range(rng.choice((1, 1, 1, 2, 4, 20))):
        _bytes(rng, data)
    return kind, name, bytes(data)


def _bytes(rng: random.Random, data: bytearray) -> None:
    """Do one thing to the bytes."""
    at = rng.randrange(len(data) + 1)
    length = rng.choice((1, 1, 2, 8, 60))
    what = rng.randrange(8)
    if what == 0:
        data[at : at + 1] = bytes([rng.randrange(256)])
    elif what == 1:
        del data[at : at + length]
    elif what == 2:
        data[at:at] = rng.choice(WORDS).encode("utf-8", "surrogatepass")
    elif what == 3:
        piece = bytes(data[at : at + length])
        where = rng.randrange(len(data) + 1)
        data[where:where] = piece * rng.choice((1, 2, 30))
    elif what == 4:
        del data[at:]
    elif what in (5, 6):
        _value(rng, data)
    else:
        lines = bytes(data).split(b"\n")
        rng.shuffle(lines) if rng.random() < 0.1 else lines.insert(
            rng.randrange(len(lines)), rng.choice(lines)
        )
        data[:] = b"\n".join(lines)


def _value(rng: random.Random, data: bytearray) -> None:
    """Replace what stands behind a colon."""
    colons = [at for at in range(len(data) - 1) if data[at : at + 2] == b": "]
    if not colons:
        return
    start = rng.choice(colons) + 2
    ends = [end for end in (data.find(mark, start) for mark in (b"\n", b",", b"}")) if end >= 0]
    data[start : min(ends, default=len(data))] = rng.choice(WORDS).encode("utf-8", "surrogatepass")


def _grafted(rng: random.Random, text: str) -> str:
    """Replace, drop or rename a node of the tree, and write it as YAML."""
    tree = yaml.safe_load(text)
    for _ in range(rng.choice((1, 1, 2, 5))):
        holder, key = rng.choice(list(_nodes(tree)))
        what = rng.randrange(5)
        if what == 0:
            del holder[key]
        elif what == 1 and isinstance(holder, dict):
            holder[rng.choice(("x", "", "name", "channel ", 7, None, True, "$channel"))] = holder.pop(key)
        elif what == 2:
            other, place = rng.choice(list(_nodes(tree)))
            holder[key] = yaml.safe_load(yaml.safe_dump(other[place]))
        else:
            holder[key] = copy.deepcopy(rng.choice(VALUES))
        if not list(_nodes(tree)):
            break
    return str(yaml.safe_dump(tree, allow_unicode=rng.random() < 0.5, default_flow_style=rng.random() < 0.3))


def _nodes(tree: Any) -> Iterator[tuple[Any, Any]]:
    items = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in list(items):
        yield tree, key
        yield from _nodes(value)


def look_at(kind: str, name: str, content: bytes, lab: Path) -> str:
    """Check the file as ``hilkit check`` does; return what came of it: good, mistakes, or what is wrong."""
    path = lab / FOLDERS[kind] / name
    path.write_bytes(content)
    try:
        with redirect_stdout(io.StringIO()):
            _checked(str(path), kind, None, lab)
    except FileProblems as error:
        return "mistakes" if str(error).strip() else "a mistake without a word"
    except HilkitError as error:
        return "refused" if str(error).strip() else "refused without a word"
    except Exception:
        return traceback.format_exc()
    finally:
        path.unlink()
    return "good"


@dataclass
class Report:
    """What came of many files: how often what, the slowest in s of processor time, what is wrong."""

    came: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    wrong: list[tuple[str, bytes, str]] = field(default_factory=list)

    def __str__(self) -> str:
        counts = ", ".join(f"{number} {what}" for what, number in sorted(self.came.items()))
        return f"{self.came.total()} files: {counts}; slowest {self.slowest_s:.3f} s; {len(self.wrong)} wrong"


def lay(lab: Path) -> None:
    """Make the folder of a lab with the data that the shipped files mention."""
    for folder in FOLDERS.values():
        (lab / folder).mkdir(exist_ok=True)
    for data in (library() / "sim_profiles").glob("*.s2p"):
        (lab / "sim_profiles" / data.name).write_bytes(data.read_bytes())


def fuzz(lab: Path, count: int, seed: int) -> Report:
    """Check ``count`` bad files."""
    lay(lab)
    rng, report = random.Random(seed), Report()
    for _ in range(count):
        kind, name, content = mutilated(rng)
        start = time.thread_time()
        came = look_at(kind, name, content, lab)
        took_s = time.thread_time() - start
        report.slowest_s = max(report.slowest_s, took_s)
        if "\n" in came or "without a word" in came:
            report.wrong.append((f"{kind} {name}", content, came))
            came = "TRACEBACK"
        elif took_s > LONGEST_S:
            report.wrong.append((f"{kind} {name}", content, f"took {took_s:.2f} s"))
        report.came[came] += 1
    return report
