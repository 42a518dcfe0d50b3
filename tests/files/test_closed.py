"""A file runs no code and reaches no file outside its folder, the lab folder and the library."""

from __future__ import annotations

import ast
import os
from pathlib import Path

import pytest

import hilkit
from hilkit.errors import FileProblems, HilkitError
from hilkit.files import Lab, loads

TAGS = (
    "!!python/object/apply:os.system ['touch {touched}']",
    "!!python/object/new:os.system ['touch {touched}']",
    "!!python/name:os.system",
    "!!python/module:os",
    "!!python/object:hilkit.errors.HilkitError {}",
    "!include other.yaml",
    "!!binary aGVsbG8=",
)


@pytest.mark.parametrize("tag", TAGS)
def test_yaml_runs_no_code(tmp_path: Path, tag: str) -> None:
    touched = tmp_path / "touched"
    with pytest.raises(FileProblems):
        loads(f"plan: x\nsteps: {tag.replace('{touched}', str(touched))}\n", "x.yaml")
    assert not touched.exists()


def test_a_link_inside_the_lab_leads_to_no_file_outside(tmp_path: Path) -> None:
    lab, outside = tmp_path / "lab", tmp_path / "secret.s2p"
    (lab / "benches").mkdir(parents=True)
    outside.write_text("# GHz S MA R 50\n", encoding="utf-8")
    link = lab / "benches" / "loss.s2p"
    link.symlink_to(outside)
    with pytest.raises(HilkitError, match="leads out of the lab folder"):
        Lab(lab).data_file("loss.s2p", beside=lab / "benches" / "quay.yaml")
    folder = lab / "benches" / "there"
    folder.symlink_to(tmp_path, target_is_directory=True)
    with pytest.raises(HilkitError, match="leads out of the lab folder"):
        Lab(lab).data_file("there/secret.s2p", beside=lab / "benches" / "quay.yaml")


def test_no_child_process_is_started_through_a_shell() -> None:
    """Every call of subprocess gets a list, and none of the calls that start a shell is used anywhere."""
    shells = {"system", "popen", "getoutput", "getstatusoutput", "eval", "exec", "spawnl", "startfile"}
    for path in Path(hilkit.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            assert not (name in shells and _of_system(node)), f"{path}:{node.lineno}"
            given = {keyword.arg: keyword.value for keyword in node.keywords}
            shell = given.get("shell")
            assert shell is None or (isinstance(shell, ast.Constant) and shell.value is False), (
                f"{path}:{node.lineno}"
            )


def _of_system(node: ast.Call) -> bool:
    """True for a bare name, and for a function of os or subprocess."""
    func = node.func
    return isinstance(func, ast.Name) or (
        isinstance(func, ast.Attribute)
        and isinstance(func.value, ast.Name)
        and func.value.id in (os.__name__, "subprocess")
    )


def test_a_name_longer_than_any_file_has_is_a_mistake_like_another() -> None:
    """POSIX.1-2017, NAME_MAX: 255 bytes on common file systems."""
    with pytest.raises(HilkitError, match="there is no driver named"):
        Lab(None).find("driver", "a" * 5000)
