"""A wheel built from this tree does both jobs of the README from an empty folder, without the checkout.

The house in which it is tried is a fresh virtual environment with the wheel in it. The packages it depends on
are lent from the environment of the tests by a path file; such a folder's own path files are not followed
(documentation of the module ``site``), so that an editable install of the checkout stays out of sight.
"""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import venv
import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).parents[2]
LIBRARY = ("drivers", "sequences", "sim_profiles")
SDIST_TOP = {
    *("hilkit", *LIBRARY, "tests"),
    *("README.md", "DEVELOPERS.md", "LICENSE", ".ci", "pyproject.toml"),
    # What the build backend adds by itself.
    *("PKG-INFO", ".gitignore"),
}

# A part of the test suite that reads files of the library, runs the simulator and knows the package's own
# folders.
SOME_TESTS = ("tests/readings", "tests/plans/test_sequences.py", "tests/external/test_measured_line.py")

WHERE = """\
import json, sys
from importlib.metadata import distribution
import hilkit
from hilkit.files import Lab, library
print(json.dumps({
    "package": hilkit.__file__,
    "version": distribution("hilkit").version,
    "library": str(library()),
    "night": str(Lab().find("plan", "night_check")),
    "driver": str(Lab().find("driver", "radio_head")),
    "profile": str(Lab().find("profile", "simulated_pier")),
    "path": sys.path,
}))
"""


@dataclass
class House:
    """A virtual environment with the wheel in it, and an empty folder to work in."""

    folder: Path
    empty: Path

    @property
    def _programs(self) -> Path:
        return self.folder / ("Scripts" if os.name == "nt" else "bin")

    def python(self, *arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
        return self._run(self._programs / "python", *arguments, cwd=cwd)

    def hilkit(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        return self._run(self._programs / "hilkit", *arguments)

    def _run(
        self, program: Path, *arguments: str, cwd: Path | None = None
    ) -> subprocess.CompletedProcess[str]:
        kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
        return subprocess.run(
            [str(program), *arguments],
            cwd=cwd or self.empty,
            env={**kept, "PYTHONUTF8": "1"},
            capture_output=True,
            encoding="utf-8",
            timeout=120,
        )


@dataclass(frozen=True)
class Built:
    """What a build of the tree leaves."""

    wheel: Path
    sdist: Path


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """Build the source archive, and the wheel from that archive alone."""
    out = tmp_path_factory.mktemp("built")
    # Where the build backend is not installed, the builder fetches it into an environment of its own.
    alone = [] if importlib.util.find_spec("hatchling") is None else ["--no-isolation"]
    done = subprocess.run(
        [sys.executable, "-m", "build", *alone, "--outdir", str(out), str(ROOT)],
        capture_output=True,
        encoding="utf-8",
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = out.glob("*.whl")
    (sdist,) = out.glob("*.tar.gz")
    return Built(wheel, sdist)


@pytest.fixture(scope="module")
def house(built: Built, tmp_path_factory: pytest.TempPathFactory) -> House:
    folder = tmp_path_factory.mktemp("house")
    venv.EnvBuilder(symlinks=os.name != "nt", with_pip=False).create(folder)
    made = House(folder, tmp_path_factory.mktemp("empty"))
    pip = [sys.executable, "-m", "pip", "--python", str(folder), "--disable-pip-version-check"]
    done = subprocess.run(
        [*pip, "install", "--quiet", "--no-deps", "--no-index", str(built.wheel)],
        capture_output=True,
        encoding="utf-8",
    )
    assert done.returncode == 0, done.stderr
    own = made.python("-c", "import sysconfig; print(sysconfig.get_path('purelib'))").stdout.strip()
    lent = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
    (Path(own) / "lent.pth").write_text("\n".join(sorted(lent)) + "\n", encoding="utf-8")
    return made


def wheel_names(built: Built) -> set[PurePosixPath]:
    with zipfile.ZipFile(built.wheel) as archive:
        return {PurePosixPath(name) for name in archive.namelist()}


def tree(folder: Path) -> set[PurePosixPath]:
    """Return the files below a folder of the checkout, what Python compiles left out."""
    return {
        PurePosixPath(path.relative_to(folder).as_posix())
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


def test_the_top_of_the_wheel_holds_the_package_and_its_metadata_alone(built: Built) -> None:
    tops = {name.parts[0] for name in wheel_names(built)}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"hilkit"}
    assert len(tops) == 2


def test_the_wheel_carries_the_whole_package_and_the_library(built: Built) -> None:
    inside = {name.relative_to("hilkit") for name in wheel_names(built) if name.parts[0] == "hilkit"}
    shipped = {"library" / name for folder in LIBRARY for name in prefixed(folder)}
    assert inside == tree(ROOT / "hilkit") | shipped


def test_the_source_archive_holds_what_its_list_says_and_no_more(built: Built) -> None:
    with tarfile.open(built.sdist) as archive:
        names = {PurePosixPath(name).relative_to(PurePosixPath(name).parts[0]) for name in archive.getnames()}
    files = {name for name in names if name.parts}
    assert {name.parts[0] for name in files} == SDIST_TOP
    for folder in ("hilkit", *LIBRARY):
        assert prefixed(folder) <= files
    assert {name for name in files if name.parts[0] == ".ci"} <= {
        PurePosixPath(".ci"),
        PurePosixPath(".ci/run"),
    }


def test_the_installed_package_is_the_wheel_s_and_the_checkout_is_out_of_sight(house: House) -> None:
    done = house.python("-c", WHERE)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    inside = house.folder.resolve()
    for what in ("package", "library", "night", "driver", "profile"):
        assert Path(found[what]).resolve().is_relative_to(inside), (what, found[what])
    assert Path(found["library"]).name == "library"
    assert not any(Path(entry).resolve() == ROOT for entry in found["path"] if entry)


def test_the_main_job_runs_from_an_empty_folder(house: House) -> None:
    assert list(house.empty.iterdir()) == []
    done = house.hilkit("run", "night_check")
    assert done.returncode == 0, done.stdout + done.stderr
    (folder,) = (house.empty / "runs").iterdir()
    assert {"junit.xml", "run.sqlite"} <= {path.name for path in folder.iterdir()}
    assert "verdict: pass" in done.stdout


def test_the_manual_and_the_schemas_come_with_the_wheel(house: House) -> None:
    chapters = [name for name in tree(ROOT / "hilkit" / "manual") if name.suffix == ".md"]
    listed = house.hilkit("manual")
    assert listed.returncode == 0, listed.stderr
    assert chapters
    assert [name.stem for name in chapters if name.stem not in listed.stdout] == []
    assert json.loads(house.hilkit("schema", "plan").stdout)["type"] == "object"


def test_the_tests_of_the_source_archive_pass_on_the_wheel(
    house: House, built: Built, tmp_path: Path
) -> None:
    with tarfile.open(built.sdist) as archive:
        archive.extractall(tmp_path, filter="data")
    (unpacked,) = tmp_path.iterdir()
    for folder in ("hilkit", *LIBRARY):
        shutil.rmtree(unpacked / folder)
    done = house.python("-m", "pytest", "-q", "-p", "no:cacheprovider", *SOME_TESTS, cwd=unpacked)
    assert done.returncode == 0, done.stdout + done.stderr
    assert " passed" in done.stdout


def prefixed(folder: str) -> set[PurePosixPath]:
    return {PurePosixPath(folder) / name for name in tree(ROOT / folder)}
