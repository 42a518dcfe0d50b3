"""Where files are found: the lab folder first, then the library that comes with the tool."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Literal

from hilkit.errors import UsageError
from hilkit.files.shapes import near

__all__ = ["Kind", "Lab", "PlaceError", "library"]

Kind = Literal["driver", "plan", "bench", "profile"]

# Kind of file to the patterns of its place, the first that exists wins.
_PATTERNS: dict[str, tuple[str, ...]] = {
    "driver": ("drivers/{}.yaml",),
    "plan": ("sequences/{}.yaml",),
    "bench": ("benches/{}.yaml", "benches/{}.bench.yaml", "sim_profiles/{}.bench.yaml"),
    "profile": ("sim_profiles/{}.yaml",),
}
_LAB_FOLDERS = ("drivers", "sequences", "sim_profiles", "benches")
_SUFFIXES = (".yaml", ".yml")


class PlaceError(UsageError):
    """A name leads to no file, or to one outside the folders that may be read."""

    def __init__(self, message: str, *, seen: str, allowed: str = "", next_step: str = "") -> None:
        super().__init__(message, next_step=next_step)
        self.seen = seen
        self.allowed = allowed

    def __str__(self) -> str:
        lines = [self.message, f"  seen: {self.seen}"]
        lines += [
            f"  {label}: {text}"
            for label, text in (("allowed", self.allowed), ("next", self.next_step))
            if text
        ]
        return "\n".join(lines)


def library() -> Path:
    """Return the folder of the shipped drivers, sequences and sim_profiles.

    In a wheel it is a folder of the package; in a checkout it is the folder that holds the package.
    """
    package = Path(str(files("hilkit")))
    shipped = package / "library"
    return shipped if shipped.is_dir() else package.parent


@dataclass
class Lab:
    """A lab folder (``root``, None where there is none) with the library behind it.

    ``shadowed`` collects sentences on files of the lab that stand in front of one of the library.
    """

    root: Path | None = None
    shadowed: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        if self.root is not None:
            self.root = self.root.resolve()

    @classmethod
    def above(cls, path: Path) -> Lab:
        """Return the lab at the nearest folder above (or at) a path that holds one of its folders."""
        start = path.resolve()
        for folder in (start, *start.parents):
            if folder.is_dir() and any((folder / name).is_dir() for name in _LAB_FOLDERS):
                return cls(folder)
        return cls(None)

    @property
    def roots(self) -> tuple[Path, ...]:
        """The folders that names are looked up in, in their order."""
        shipped = library().resolve()
        return (shipped,) if self.root is None or self.root == shipped else (self.root, shipped)

    def names(self, kind: Kind) -> list[str]:
        """Return the names of all files of a kind, those of the lab and of the library."""
        return sorted({name for root in self.roots for name in _names_in(root, kind)})

    def find(self, kind: Kind, name_or_path: str | Path, *, relative_to: Path | None = None) -> Path:
        """Return the file of a kind under a name, or at a path.

        ``relative_to`` is the file (or folder) that names it; a path must then stay inside the lab folder or
        the library. Without it the name comes from the command line, where a path may lead anywhere.
        """
        text = str(name_or_path)
        if _is_name(text):
            return self._by_name(kind, text)
        if relative_to is None:
            path = Path(text)
            if not _is_file(path):
                raise self._nothing(kind, text, f"there is no file {text}")
            return path
        return self.data_file(text, beside=relative_to)

    def data_file(self, name: str, *, beside: Path) -> Path:
        """Return the file that a file (``beside``, or a folder) speaks of by a path relative to itself.

        It must lie inside the lab folder, the library or the folder of ``beside``.
        """
        folder = beside.resolve() if beside.is_dir() else beside.resolve().parent
        allowed = (
            "a path with / between folders, relative to the file that names it and inside the lab folder"
        )
        if (
            PurePosixPath(name).is_absolute()
            or PureWindowsPath(name).anchor
            or "\\" in name
            or "\x00" in name
        ):
            raise PlaceError("this is no relative path", seen=name, allowed=allowed)
        path = (folder / name).resolve()
        if not any(path.is_relative_to(root) for root in (*self.roots, folder)):
            raise PlaceError(
                "this path leads out of the lab folder",
                seen=name,
                allowed=allowed,
                next_step=f"copy the file into {self.root or folder}",
            )
        if not _is_file(path):
            meant = _near_file(path)
            raise PlaceError(
                f"there is no file {path}",
                seen=name,
                next_step=f"did you mean {meant}?" if meant else "check the name and the folder",
            )
        return path

    def _by_name(self, kind: Kind, name: str) -> Path:
        found = [path for root in self.roots for path in _candidates(root, kind, name) if _is_file(path)]
        if not found:
            raise self._nothing(kind, name, f"there is no {kind} named {name!r}")
        for other in found[1:]:
            sentence = f"{kind} {name}: {found[0]} stands in front of {other}"
            if sentence not in self.shadowed:
                self.shadowed.append(sentence)
        return found[0]

    def _nothing(self, kind: Kind, seen: str, message: str) -> PlaceError:
        names = self.names(kind)
        meant = near(_stem(seen), names)
        folders = dict.fromkeys(pattern.split("/")[0] for pattern in _PATTERNS[kind])
        looked = ", ".join(str(root / folder) for root in self.roots for folder in folders)
        return PlaceError(
            message,
            seen=seen,
            allowed=", ".join(names) or f"nothing: there is no {kind} in {looked}",
            next_step=f"did you mean {meant}?"
            if meant
            else f"looked in {looked}; a file elsewhere is named by its path",
        )


def _is_name(text: str) -> bool:
    return (
        not any(mark in text for mark in "/\\\x00")
        and not text.endswith(_SUFFIXES)
        and text not in ("", ".", "..")
    )


def _candidates(root: Path, kind: Kind, name: str) -> Iterator[Path]:
    return (root / pattern.format(name) for pattern in _PATTERNS[kind])


def _names_in(root: Path, kind: Kind) -> Iterable[str]:
    for pattern in _PATTERNS[kind]:
        before, after = pattern.split("{}")
        for path in (root / before).glob(f"*{after}"):
            name = path.name.removesuffix(after)
            if kind == "bench" or not name.endswith(".bench"):
                yield name.removesuffix(".bench")


def _stem(text: str) -> str:
    return (
        PurePosixPath(text.replace("\\", "/"))
        .name.removesuffix(".yaml")
        .removesuffix(".yml")
        .removesuffix(".bench")
    )


def _near_file(path: Path) -> str:
    try:
        return near(path.name, (other.name for other in path.parent.iterdir() if other.is_file()))
    except OSError:
        return ""


def _is_file(path: Path) -> bool:
    """Return whether there is such a file; a name longer than any file's is none (ENAMETOOLONG)."""
    try:
        return path.is_file()
    except OSError:
        return False
