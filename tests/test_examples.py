"""Every command that README.md and examples/README.md tell a reader to type runs."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
FEW = {"tonight": "300", "replay": "300"}  # members, so that the tests stay quick


def shell_commands() -> list[str]:
    """Lines of the README's `sh` blocks, continuation lines joined."""
    blocks = re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)
    lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
    return [" ".join(line.split()) for line in lines if line.strip()]


COMMANDS = shell_commands()
OURS = [c for c in COMMANDS if c.split()[0].endswith("socband")]


def test_main_and_test_command_set_everything_up() -> None:
    """`.ci/run` runs both from a fresh clone; here only their form is looked at."""
    for mark, last in (("main-command", "tonight examples/lake-cabin.toml"), ("test-command", "")):
        found = re.search(rf"<!-- {mark} -->\n```sh\n(.*?)```", README, flags=re.DOTALL)
        assert found, mark
        assert "-m venv" in found[1]
        assert "pip install" in found[1]
        assert last in found[1]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the examples, and the setup file and log that the README speaks of."""
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    shutil.copy(ROOT / "examples" / "lake-cabin.toml", tmp_path / "setup.toml")
    time_s = 60.0 * np.arange(121.0)
    load_a = np.where(np.arange(121) // 10 % 2, 9.0, 3.0)
    rows = np.column_stack([time_s, load_a, 13.2 - 0.004 * load_a])
    np.savetxt(
        tmp_path / "log.csv", rows, delimiter=",", header="t,I[A],U[V]", comments="", fmt="%.4f"
    )
    return tmp_path


@pytest.mark.parametrize("command", OURS)
def test_readme_command(
    command: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from socband.cli import main

    words = shlex.split(command)[1:]
    if words[0] in FEW:
        words += ["--members", FEW[words[0]]]
    monkeypatch.chdir(folder)
    assert main(words) == 0
    assert len(capsys.readouterr().out) > 100


def test_all_commands_are_run_by_some_test() -> None:
    """What is not run above is set-up, or has its own test."""
    known = ("python3 -m venv", ".venv", "python examples/drive_cycle_replay.py")
    assert [c for c in COMMANDS if c not in OURS and not c.startswith(known)] == []
    assert len(OURS) >= 3


def shape(text: str) -> list[str]:
    """Words without their numbers: a model fitted anew changes those, not the story."""
    return re.sub(r"[-+]?\d+(:\d+)?(\.\d+)?", "#", text).split()


def test_readme_shows_what_the_command_prints(capsys: pytest.CaptureFixture[str]) -> None:
    from socband.cli import main
    from socband.tonight import WHAT_IF_MEMBERS

    shown = re.search(r"<!-- answer -->\n```text\n(.*?)```", README, flags=re.DOTALL)
    assert shown
    # as many as the switch-offs are looked at with: which of them is enough hangs on their draws
    members = str(WHAT_IF_MEMBERS)
    assert main(["tonight", str(ROOT / "examples" / "lake-cabin.toml"), "--members", members]) == 0
    assert shape(shown[1]) == shape(capsys.readouterr().out)


def test_examples_are_all_described() -> None:
    """And what the README draws is there, and small."""
    table = (ROOT / "examples" / "README.md").read_text(encoding="utf-8")
    for path in (ROOT / "examples").iterdir():
        if path.name not in ("README.md", "__pycache__"):
            assert f"`{path.name}`" in table
    for picture in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / picture).stat().st_size < 150_000


def test_setup_files_of_the_examples_are_fine(capsys: pytest.CaptureFixture[str]) -> None:
    from socband.cli import main

    for name in ("lake-cabin.toml", "long-boat.toml", "drive-cycle.toml"):
        assert main(["check", str(ROOT / "examples" / name)]) == 0
        assert "fine" in capsys.readouterr().out


def keys_shown(path: Path) -> set[tuple[str, str]]:
    """(section, key) of every line of a setup file, also of those behind a comment sign."""
    section, shown = "", set()
    for line in path.read_text(encoding="utf-8").splitlines():
        if found := re.match(r"\[+([\w.]+)\]+", line):
            section = found[1]
        elif found := re.match(r"(?:# )?(\w+) = \S", line):
            shown.add((section, found[1]))
            tomllib.loads(line.removeprefix("# "))  # and so it could be used
    return shown


def test_long_boat_shows_every_key_there_is() -> None:
    from socband.site import _SECTIONS
    from socband.site_parts import ReZero

    kinds = {**_SECTIONS, "monitor.re_zero": ReZero}
    schema = {(name, field.name) for name, kind in kinds.items() for field in fields(kind)}
    schema.remove(("monitor", "re_zero"))  # a section of its own
    schema.add(("loads", "like"))  # gone once read
    assert keys_shown(ROOT / "examples" / "long-boat.toml") == schema


def test_what_long_boat_holds_behind_a_comment_sign_can_be_said(tmp_path: Path) -> None:
    """One by one; a load's current in place of its power."""
    from socband.site import read_setup

    text = (ROOT / "examples" / "long-boat.toml").read_text(encoding="utf-8")
    hidden = re.findall(r"^# (?:\w+) = .*$", text, flags=re.MULTILINE)
    assert len(hidden) == 7
    for line in hidden:
        spoken = text.replace(line, line.removeprefix("# "))
        if "rested_hours" in line:
            spoken = spoken.replace("# rested_voltage_v", "rested_voltage_v")
        if "current_a = 4" in line:
            spoken = spoken.replace("power_w = 50\n", "")
        path = tmp_path / "setup.toml"
        path.write_text(spoken, encoding="utf-8")
        assert read_setup(path).about.title.startswith("Long boat"), line


def test_drive_cycle_example_as_a_script(data_dir: Path, tmp_path: Path) -> None:
    """As typed: prints the truth, the display with its closed form, and the band; draws it."""
    script = ROOT / "examples" / "drive_cycle_replay.py"
    picture = tmp_path / "drive.png"
    done = subprocess.run(
        [sys.executable, str(script), "--members", "300", "--plot", str(picture)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
        env=None,
    )
    assert done.returncode == 0, done.stderr
    assert "closed form" in done.stdout
    assert "90 % band" in done.stdout
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_the_log_of_the_van_is_what_its_script_makes_and_its_fault_is_found() -> None:
    import runpy

    from socband.logs import read_log
    from socband.models import load_cell
    from socband.site import read_setup
    from socband.suspects import judge

    script = runpy.run_path(str(ROOT / "examples" / "make_log.py"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(np, "savetxt", lambda *_, **__: pytest.fail("help wrote the log"))
        with pytest.raises(SystemExit):
            script["main"](["--help"])
    rows, left = script["made"]()
    kept = np.loadtxt(ROOT / "examples" / "workshop-van.csv", delimiter=",", skiprows=1)
    np.testing.assert_allclose(kept, rows, atol=0.0101)  # a rounding to the other side

    setup = read_setup(ROOT / "examples" / "workshop-van.toml")
    log = read_log(ROOT / "examples" / "workshop-van.csv")
    verdict = judge(setup, load_cell(setup.bank.cell), log, {}, 0, 2000)
    assert max(verdict.probability, key=verdict.probability.get) == "untracked_steady"
    low, high = np.quantile(verdict.draws.soc, [0.05, 0.95])
    assert low < left < high
    assert high < 0.6  # where the display says 82 %
