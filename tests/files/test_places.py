"""Names lead to files of the lab first, then of the library, and never elsewhere."""

from pathlib import Path

import pytest

from hilkit.errors import ExitCode
from hilkit.files import Lab, PlaceError, library
from hilkit.files import places as places_module


@pytest.fixture
def shipped(tmp_path, monkeypatch):
    root = tmp_path / "shipped"
    for name in (
        "drivers/analyser.yaml",
        "sequences/night.yaml",
        "sim_profiles/pier.yaml",
        "sim_profiles/pier.bench.yaml",
    ):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text("a: 1\n", encoding="utf-8")
    monkeypatch.setattr(places_module, "library", lambda: root)
    return root.resolve()


@pytest.fixture
def lab(tmp_path, shipped):
    root = tmp_path / "lab"
    for name in (
        "drivers/pad.yaml",
        "benches/quay.yaml",
        "benches/mole.bench.yaml",
        "sequences/sub/own.yaml",
        "data/x.s2p",
    ):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text("a: 1\n", encoding="utf-8")
    (tmp_path / "secret.s2p").write_text("!\n", encoding="utf-8")
    return Lab(root)


def test_the_library_holds_what_is_shipped():
    assert (library() / "drivers").is_dir()
    assert (library() / "sequences").is_dir()


def test_a_wheel_carries_the_library_inside_the_package(tmp_path, monkeypatch):
    package = tmp_path / "hilkit"
    monkeypatch.setattr(places_module, "files", lambda name: package)
    package.mkdir()
    assert library() == tmp_path
    (package / "library").mkdir()
    assert library() == package / "library"


@pytest.mark.parametrize(
    ("kind", "name", "path"),
    [
        ("driver", "analyser", "shipped/drivers/analyser.yaml"),
        ("driver", "pad", "lab/drivers/pad.yaml"),
        ("plan", "night", "shipped/sequences/night.yaml"),
        ("profile", "pier", "shipped/sim_profiles/pier.yaml"),
        ("bench", "pier", "shipped/sim_profiles/pier.bench.yaml"),
        ("bench", "quay", "lab/benches/quay.yaml"),
        ("bench", "mole", "lab/benches/mole.bench.yaml"),
    ],
)
def test_a_name_is_found_in_the_lab_or_in_the_library(lab, tmp_path, kind, name, path):
    assert lab.find(kind, name) == (tmp_path / path).resolve()
    assert lab.find(kind, name, relative_to=lab.root / "sequences") == (tmp_path / path).resolve()
    assert lab.shadowed == []


def test_a_file_of_the_lab_stands_in_front_of_the_library_and_that_is_told_once(lab, shipped):
    own = lab.root / "drivers" / "analyser.yaml"
    own.write_text("a: 1\n", encoding="utf-8")
    assert lab.find("driver", "analyser") == own
    assert lab.find("driver", "analyser") == own
    assert lab.shadowed == [
        f"driver analyser: {own} stands in front of {shipped / 'drivers' / 'analyser.yaml'}"
    ]


def test_without_a_lab_the_library_alone_is_searched(shipped):
    assert Lab().find("driver", "analyser") == shipped / "drivers" / "analyser.yaml"
    assert Lab(shipped).roots == (shipped,)


def test_an_unknown_name_lists_what_there_is(lab):
    with pytest.raises(PlaceError) as caught:
        lab.find("driver", "analyzer")
    assert caught.value.message == "there is no driver named 'analyzer'"
    assert caught.value.allowed == "analyser, pad"
    assert caught.value.next_step == "did you mean analyser?"
    assert caught.value.exit_code is ExitCode.USAGE
    assert str(caught.value).splitlines()[1] == "  seen: analyzer"
    with pytest.raises(PlaceError) as caught:
        lab.find("bench", "zzzz")
    assert caught.value.allowed == "mole, pier, quay"
    assert "looked in" in caught.value.next_step


def test_every_folder_in_which_a_bench_may_lie_is_named(lab, shipped):
    with pytest.raises(PlaceError) as caught:
        lab.find("bench", "harbour")
    for folder in (lab.root / "benches", lab.root / "sim_profiles", shipped / "sim_profiles"):
        assert str(folder) in caught.value.next_step


def test_a_lab_without_any_file_of_a_kind_says_where_it_looked(tmp_path, shipped):
    (shipped / "sequences" / "night.yaml").unlink()
    with pytest.raises(PlaceError, match="there is no plan in"):
        Lab(tmp_path).find("plan", "night")


def test_names_list_profiles_and_benches_apart(lab):
    assert lab.names("profile") == ["pier"]
    assert lab.names("bench") == ["mole", "pier", "quay"]


def test_the_nearest_folder_with_a_lab_folder_in_it_is_the_lab(lab, tmp_path):
    assert Lab.above(lab.root / "sequences" / "sub" / "own.yaml").root == lab.root
    assert Lab.above(lab.root).root == lab.root
    inner = lab.root / "sequences" / "sub" / "benches"
    inner.mkdir()
    assert Lab.above(lab.root / "sequences" / "sub" / "own.yaml").root == lab.root / "sequences" / "sub"


def test_no_lab_folder_above_is_no_lab(tmp_path):
    assert Lab.above(tmp_path).root is None


def test_a_path_on_the_command_line_may_lead_anywhere(lab, tmp_path, monkeypatch):
    far = tmp_path / "far.yaml"
    far.write_text("a: 1\n", encoding="utf-8")
    assert lab.find("plan", far) == far
    monkeypatch.chdir(tmp_path)
    assert lab.find("plan", "far.yaml") == Path("far.yaml")
    with pytest.raises(PlaceError, match=r"there is no file fra\.yaml"):
        lab.find("plan", "fra.yaml")


def test_a_path_in_a_file_is_relative_to_that_file(lab):
    plan = lab.root / "sequences" / "sub" / "own.yaml"
    assert (
        lab.find("bench", "../../benches/quay.yaml", relative_to=plan) == lab.root / "benches" / "quay.yaml"
    )
    assert (
        lab.data_file("../data/x.s2p", beside=lab.root / "benches" / "quay.yaml")
        == lab.root / "data" / "x.s2p"
    )
    assert lab.data_file("x.s2p", beside=lab.root / "data") == lab.root / "data" / "x.s2p"


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("../../secret.s2p", "leads out of the lab folder"),
        ("../data/../../secret.s2p", "leads out of the lab folder"),
        ("/etc/hosts", "no relative path"),
        ("C:/x.s2p", "no relative path"),
        ("C:x.s2p", "no relative path"),
        ("\\\\server\\share\\x.s2p", "no relative path"),
        ("..\\data\\x.s2p", "no relative path"),
        ("a\x00b", "no relative path"),
        ("../data", "there is no file"),
        ("../data/y.s2p", "there is no file"),
        ("../nowhere/y.s2p", "there is no file"),
    ],
)
def test_a_path_in_a_file_stays_inside_the_lab(lab, name, message):
    with pytest.raises(PlaceError, match=message) as caught:
        lab.data_file(name, beside=lab.root / "benches" / "quay.yaml")
    assert caught.value.seen == name


def test_a_misspelt_file_is_answered_with_the_near_one(lab):
    with pytest.raises(PlaceError) as caught:
        lab.data_file("../data/x.sp2", beside=lab.root / "benches" / "quay.yaml")
    assert caught.value.next_step == "did you mean x.s2p?"


def test_a_link_out_of_the_lab_is_seen_through(lab, tmp_path):
    link = lab.root / "data" / "link.s2p"
    try:
        link.symlink_to(tmp_path / "secret.s2p")
    except OSError:  # a system that lets only some users make links
        return
    with pytest.raises(PlaceError, match="leads out of the lab folder"):
        lab.data_file("link.s2p", beside=lab.root / "data")


def test_a_file_outside_every_lab_may_speak_of_its_neighbours_only(tmp_path, shipped):
    folder = tmp_path / "desk"
    folder.mkdir()
    (folder / "bench.yaml").write_text("a: 1\n", encoding="utf-8")
    (folder / "x.s2p").write_text("!\n", encoding="utf-8")
    (tmp_path / "y.s2p").write_text("!\n", encoding="utf-8")
    assert Lab().data_file("x.s2p", beside=folder / "bench.yaml") == (folder / "x.s2p").resolve()
    with pytest.raises(PlaceError, match="leads out"):
        Lab().data_file("../y.s2p", beside=folder / "bench.yaml")
