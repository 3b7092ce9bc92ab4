"""The folder of sessions: names from outside never leave it, nothing is lost by a correction or a deletion."""

from __future__ import annotations

from pathlib import Path

import builders
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daq.errors import SessionError, SetupError
from dashboard.session_folder import SessionFolder
from dashboard.setup_edit import swap_probes


@pytest.fixture
def folder(tmp_path: Path) -> SessionFolder:
    """Two sessions in a folder, with a secret beside the folder."""
    root = tmp_path / "sessions"
    for name in ("morning", "evening"):
        (root / name).mkdir(parents=True)
        (root / name / "setup.toml").write_text(builders.setup_text(), encoding="utf-8")
        (root / name / "main.csv").write_text("host_s,time_ms\n")
    (tmp_path / "secret").mkdir()
    (tmp_path / "secret" / "setup.toml").write_text("secret")
    return SessionFolder(root)


OUTSIDE = [
    "../secret",
    "..",
    ".",
    "",
    "/etc",
    "morning/../../secret",
    "morning/",
    "trash",
    "morning\0",
    "nul",
    "C:\\x",
]


@pytest.mark.parametrize("name", OUTSIDE)
def test_names_outside_the_listing_are_refused(folder: SessionFolder, name: str) -> None:
    for act in (folder.path, folder.fingerprint, folder.setup_text, folder.move_to_trash):
        with pytest.raises(SessionError):
            act(name)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.text(max_size=40))
def test_any_text_is_a_listed_session_or_an_error(folder: SessionFolder, name: str) -> None:
    try:
        path = folder.path(name)
    except SessionError:
        return
    assert path.parent == folder.root
    assert name in {"morning", "evening"}


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.text(max_size=40) | st.sampled_from(OUTSIDE))
def test_a_new_name_stays_right_inside_the_folder(folder: SessionFolder, name: str) -> None:
    try:
        path = folder.new_path(name)
    except SessionError:
        return
    assert path.parent == folder.root
    assert not path.exists()


def test_links_are_not_sessions_and_not_setups(folder: SessionFolder) -> None:
    (folder.root / "linked").symlink_to(folder.root.parent / "secret")
    (folder.root / "linked.toml").symlink_to(folder.root.parent / "secret" / "setup.toml")
    assert "linked" not in folder.names()
    assert folder.files(".toml") == []
    (folder.root / "morning" / "setup.toml").unlink()
    (folder.root / "morning" / "setup.toml").symlink_to(folder.root.parent / "secret" / "setup.toml")
    with pytest.raises(SessionError, match="link"):
        folder.setup_text("morning")


def test_deleting_moves_to_the_trash_and_keeps_both_of_the_same_name(folder: SessionFolder) -> None:
    first = folder.move_to_trash("morning")
    assert (first / "main.csv").is_file()
    (folder.root / "morning").mkdir()
    (folder.root / "morning" / "setup.toml").write_text(builders.setup_text(), encoding="utf-8")
    second = folder.move_to_trash("morning")
    assert first != second
    assert first.exists()
    assert folder.names() == ["evening"]


def test_trash_that_leads_elsewhere_is_refused(folder: SessionFolder) -> None:
    (folder.root / "trash").symlink_to(folder.root.parent / "secret")
    with pytest.raises(SessionError, match="link"):
        folder.move_to_trash("morning")
    assert "morning" in folder.names()


def test_a_correction_keeps_every_previous_setup_and_the_samples(folder: SessionFolder) -> None:
    session = folder.root / "morning"
    original = (session / "setup.toml").read_text(encoding="utf-8")
    samples = (session / "main.csv").read_bytes()
    second = original.replace("Harbour tug", "Harbour tug, refitted")
    folder.correct_setup("morning", second)
    folder.correct_setup("morning", original)
    assert (session / "setup.toml.1").read_text(encoding="utf-8") == original
    assert (session / "setup.toml.2").read_text(encoding="utf-8") == second
    assert (session / "setup.toml").read_text(encoding="utf-8") == original
    assert (session / "main.csv").read_bytes() == samples


def test_a_wrong_correction_writes_nothing(folder: SessionFolder) -> None:
    before = sorted((folder.root / "morning").iterdir())
    with pytest.raises(SetupError, match="unknown key"):
        folder.correct_setup("morning", builders.setup_text().replace("fuel =", "fule ="))
    assert sorted((folder.root / "morning").iterdir()) == before


def test_fingerprint_changes_with_a_file(folder: SessionFolder) -> None:
    before = folder.fingerprint("morning")
    assert folder.fingerprint("morning") == before
    with (folder.root / "morning" / "main.csv").open("a") as file:
        file.write("1,2\n")
    assert folder.fingerprint("morning") != before


def test_not_a_folder(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="not a folder"):
        SessionFolder(tmp_path / "absent")


def test_swapping_probes_exchanges_cylinders_and_keeps_comments() -> None:
    text = builders.setup_text() + "# bought in spring\n"
    swapped = swap_probes(text, 3, 5)
    assert "# bought in spring" in swapped
    assert swap_probes(swapped, 5, 3) == text
    from daq.setupfile import parse_setup

    columns = {probe.cylinder: probe.column for probe in parse_setup(swapped).probe}
    assert (columns[3], columns[5], columns[1]) == ("egt5_mV", "egt3_mV", "egt1_mV")


def test_swapping_with_a_cylinder_that_has_no_probe_says_so() -> None:
    with pytest.raises(SetupError, match="cylinder 12"):
        swap_probes(builders.setup_text(), 3, 12)
    with pytest.raises(SetupError, match="TOML"):
        swap_probes("[[", 1, 2)
