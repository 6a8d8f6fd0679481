"""Broken setup files and logs: each gives one clear error, exit code 2, and nothing half-written.

Every case is read twice: by the readers, which must find exactly one problem and say what it is;
and through the command, which must say the same on standard error, leave with code 2 and write
nothing.
"""

from __future__ import annotations

import gzip
import importlib.util
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from socband.errors import InputError
from socband.logs import read_log
from socband.site import read_setup

ROOT = Path(__file__).resolve().parent.parent
MODELS = sorted(path.stem for path in (ROOT / "models").glob("*.toml"))
CELL = MODELS[0] if MODELS else "any-cell"

GOOD_SETUP = f"""
[bank]
cell = "{CELL}"
cells_in_series = 4
rated_capacity_ah = 100

[monitor]
offset_a = {{dist = "norm", scale = 0.08}}

[[loads]]
name = "fridge"
power_w = 50
duty = 0.4
cycle_min = 40

[present]
display_soc = 0.62
hours_since_full = 26
clock = "21:30"

[question]
until = "07:00"
"""

Edit = Callable[[str], str]


def swap(old: str, new: str) -> Edit:
    def edit(text: str) -> str:
        assert text.count(old) == 1, old
        return text.replace(old, new)

    return edit


def add(text: str) -> Edit:
    return lambda before: f"{before}\n{text}\n"


# name: (what is done to the good setup file, what the error must say)
SETUPS: dict[str, tuple[Edit, tuple[str, ...]]] = {
    "empty file": (lambda _: "", ("[bank]", "found nothing")),
    "no TOML": (lambda _: "bank: {cell: x}", ("no valid TOML", "line 1")),
    "unclosed quote": (swap('"21:30"', '"21:30'), ("no valid TOML", "line 19")),
    "the same key twice": (swap("duty = 0.4", "power_w = 60"), ("no valid TOML", "line 13")),
    "decimal comma": (swap("0.62", "0,62"), ("no valid TOML", "a decimal comma?")),
    "a share in percent": (swap("0.62", "62 %"), ("no valid TOML", "from 0 to 1")),
    "a number with its unit": (swap("duty = 0.4", "duty = 4 h"), ("without their unit",)),
    "a temperature with its unit": (swap("duty = 0.4", "duty = 4 °C"), ("without their unit",)),
    "a bare time of day": (swap('"21:30"', "21:30"), ("no valid TOML", "stand in quotes")),
    "a bare word": (swap("duty = 0.4", "duty = half"), ("no valid TOML", "text stands in quotes")),
    "section misspelt": (swap("[monitor]", "[moniter]"), ("[moniter]", "'monitor'")),
    "key misspelt": (swap("offset_a", "ofset_a"), ("monitor.ofset_a", "'offset_a'")),
    "key without its unit": (swap("power_w", "power"), ("power", "'power_w'")),
    "key of another section": (
        swap("[monitor]", "[monitor]\ntemperature_c = 5"),
        ("monitor.temperature_c", "it belongs in [ambient]"),
    ),
    "number as text": (swap("= 100", '= "100 Ah"'), ("rated_capacity_ah", "'100 Ah'")),
    "half a cell": (swap("series = 4", "series = 4.5"), ("cells_in_series", "whole number")),
    "no cells": (swap("series = 4", "series = 0"), ("cells_in_series", "found 0")),
    "capacity missing": (swap("rated_capacity_ah = 100", ""), ("rated_capacity_ah", "nothing")),
    "capacity negative": (swap("= 100", "= -100"), ("rated_capacity_ah", "-100")),
    "capacity infinite": (swap("= 100", "= inf"), ("rated_capacity_ah", "finite")),
    "display in percent": (swap("0.62", "62"), ("display_soc", "62 % is 0.62")),
    "display not a number": (swap("0.62", "nan"), ("display_soc", "finite")),
    "unknown distribution": (swap('"norm"', '"normal"'), ("offset_a.dist", "did you mean 'norm'")),
    "unknown parameter": (swap("scale =", "sigma ="), ("offset_a.sigma", "scale")),
    "negative scale": (swap("scale = 0.08", "scale = -0.08"), ("offset_a.scale", "above 0")),
    "distribution without shape": (
        swap('dist = "norm"', 'dist = "lognorm"'),
        ("monitor.offset_a", "`s`"),
    ),
    "duty in percent": (swap("duty = 0.4", "duty = 40"), ("duty", "between 0 and 1")),
    "power and current": (
        swap("power_w = 50", "power_w = 50\ncurrent_a = 4"),
        ("loads[1] (fridge)", "exactly one of power_w and current_a"),
    ),
    "neither power nor current": (
        swap("power_w = 50", ""),
        ("loads[1] (fridge)", "neither power_w nor current_a"),
    ),
    "negative load": (swap("= 50", "= -50"), ("loads[1] (fridge).power_w", "between 0")),
    "load without a name": (swap('name = "fridge"', ""), ("loads[1].name", "nothing")),
    "single brackets for loads": (swap("[[loads]]", "[loads]"), ("[[loads]]", "two brackets")),
    "hours malformed": (
        swap("cycle_min = 40", 'cycle_min = 40\nhours = ["22 to 7"]'),
        ("loads[1] (fridge).hours", "22:00-07:00"),
    ),
    "clock with no quotes": (swap('"21:30"', "21.30"), ("present.clock", "in quotes")),
    "clock past midnight": (swap('"21:30"', '"24:30"'), ("present.clock", "'24:30'")),
    "until in words": (swap('"07:00"', '"morning"'), ("question.until", "'morning'")),
    "negative probability": (
        add("[untracked_load]\nprobability = -0.1"),
        ("untracked_load.probability", "-0.1"),
    ),
    "disconnect given for one cell": (
        add("[limits]\ndisconnect_v = 2.5"),
        ("limits.disconnect_v", "8 to 12.8 V", "whole bank"),
    ),
    "disconnect above reconnect": (
        add("[limits]\ndisconnect_v = 12.6"),
        ("limits.disconnect_v", "less than the reconnect voltage, assumed to be 12.4 V"),
    ),
    "reconnect below disconnect": (
        add("[limits]\ndisconnect_v = 12.6\nreconnect_v = 12.5"),
        ("limits.reconnect_v", "more than the disconnect voltage"),
    ),
    "rested voltage of another bank": (
        swap("hours_since_full = 26", "hours_since_full = 26\nrested_voltage_v = 26.4"),
        ("present.rested_voltage_v", "26.4 V", "4 LFP cells in series"),
    ),
    "temperature in fahrenheit": (
        add("[ambient]\ntemperature_c = 104"),
        ("ambient.temperature_c", "degrees Celsius"),
    ),
    "a number too large for a float": (
        swap("= 100", f"= 1{400 * '0'}"),
        ("rated_capacity_ah", "finite number"),
    ),
    "a number of thousands of digits": (
        swap("= 100", f"= 1{5000 * '0'}"),
        ("setup.toml", "thousands of digits"),
    ),
    "brackets hundreds deep": (
        add(f"[about]\nnote = {3000 * '['}{3000 * ']'}"),
        ("setup.toml", "hundreds deep"),
    ),
    "the last date there is": (
        swap("clock =", "date = 9999-12-31\nclock ="),
        ("present.date", "1970 to 2199"),
    ),
    "the first date there is": (
        swap("clock =", "date = 0001-01-01\nclock ="),
        ("present.date", "1970 to 2199"),
    ),
    "a distribution round a circle": (
        swap('"norm", scale = 0.08', '"vonmises", kappa = 1.0'),
        ("offset_a.dist", "vonmises", "truncnorm"),
    ),
    "a distribution without a spread": (
        swap('"norm", scale = 0.08', '"t", df = 1.5, scale = 0.08'),
        ("offset_a", "df = 1.5", "finite spread"),
    ),
    "an event's length without its time": (
        swap("duty = 0.4\ncycle_min = 40", "for_min = 4"),
        ("loads[1] (fridge).for_min", "expected at"),
    ),
    "an event that also has hours": (
        swap("duty = 0.4\ncycle_min = 40", 'at = "23:00"\nhours = ["10:00-11:00"]'),
        ("loads[1] (fridge).hours", "either hours or a one-off event"),
    ),
    "a semicolon in a load's name": (
        swap('"fridge"', '"fridge; cold"'),
        ("fridge; cold", "without semicolons"),
    ),
    "a line break in a title": (
        add('[about]\ntitle = "two\\nlines"'),
        ("about.title", "one line"),
    ),
    "true as a number": (swap("= 26", "= true"), ("hours_since_full", "found true")),
}

LABELS = "Test Time / s,Current / A,Voltage / V"


def good_rows(count: int = 40) -> list[str]:
    """Rows of an invented log with 5 mΩ and a load that switches every five rows."""
    rows = []
    for k in range(count):
        current_a = -12.0 if k // 5 % 2 else -2.0
        rows.append(f"{60 * k},{current_a},{13.2 + 0.005 * current_a:.3f}")
    return rows


def with_row(index: int, row: str) -> list[str]:
    rows = good_rows()
    rows[index] = row
    return rows


def csv(rows: list[str], labels: str = LABELS) -> bytes:
    return "\n".join([labels, *rows, ""]).encode()


def turned(sign: float, scale: float = 1.0) -> list[str]:
    rows = [row.split(",") for row in good_rows()]
    return [f"{t},{sign * float(i)},{scale * float(u)}" for t, i, u in rows]


# name: (file name, content, what the error must say)
LOGS: dict[str, tuple[str, bytes, tuple[str, ...]]] = {
    "empty": ("log.csv", b"", ("no header",)),
    "header only": ("log.csv", csv([]), ("0 rows of data",)),
    "one row": ("log.csv", csv(good_rows(1)), ("1 rows of data",)),
    "no voltage column": (
        "log.csv",
        csv(good_rows(), "Test Time / s,Current / A,U"),
        ("'Voltage / V'", "--column voltage"),
    ),
    "binary": ("log.csv", bytes(range(256)) * 4, ("binary data",)),
    "not really gzip": ("log.csv.gz", b"Test Time / s,Current / A", ("gzip",)),
    "cut off gzip": (
        "log.csv.gz",
        gzip.compress(csv(good_rows(4000)), mtime=0)[:3000],
        ("end-of-stream marker",),
    ),
    "too many fields": ("log.csv", csv(with_row(9, "540,-2,13.19,7,8,9")), ("line 11", "6 fields")),
    "one field too many in all rows": (
        "log.csv",
        csv([f"7,{row}" for row in good_rows()]),
        ("line 2", "4 fields; expected as many as the header has, 3"),
    ),
    "decimal commas between commas": (
        "log.csv",
        csv([row.replace(".", ",").replace("0,", "0,0,", 1) for row in good_rows()]),
        ("line 2", "6 fields", "semicolons or tabs"),
    ),
    "a remark before the header": (
        "log.csv",
        b"# from the monitor\n" + csv(good_rows()),
        ("line 2", "before the column labels"),
    ),
    "time backwards": ("log.csv", csv(with_row(9, "300,-2,13.19")), ("row 11", "backwards")),
    "time standing still": (
        "log.csv",
        csv([f"5,{row.split(',', 1)[1]}" for row in good_rows()]),
        ("one single time",),
    ),
    "words for currents": (
        "log.csv",
        csv([row.replace("-", "about ") for row in good_rows()]),
        ("row 2 and 39 more", "'about 2.0' in column 'Current / A'", "decimal point"),
    ),
    "words that are no numbers": (
        "log.csv",
        csv([row.replace("-2.0", "True").replace("-12.0", "True") for row in good_rows()]),
        ("row 2 and 39 more", "'True' in column 'Current / A'"),
    ),
    "units in the cells": (
        "log.csv",
        csv([row.replace(",", " s,", 1) for row in good_rows()]),
        ("row 2 and 39 more", "'0 s' in column 'Test Time / s'", "seconds, or dates such as 20"),
    ),
    "dates by the day first": (
        "log.csv",
        csv([f"01.12.2026 08:{k:02d}:00{r[r.index(',') :]}" for k, r in enumerate(good_rows())]),
        ("'01.12.2026 08:00:00'", "dates such as 2026-12-01 08:00:00"),
    ),
    "no times": (
        "log.csv",
        csv([f",{row.split(',', 1)[1]}" for row in good_rows()]),
        ("no number for time", "nothing in column 'Test Time / s'"),
    ),
    "a current beyond all numbers": (
        "log.csv",
        csv(with_row(9, "540,-1e308,13.19")),
        ("log.csv", "row 11", "-1e+308 A", "at most"),
    ),
    "centuries": (
        "log.csv",
        csv(with_row(39, "1e300,-2,13.19")),
        ("log.csv", "rows", "20 at most"),
    ),
    "packed": ("log.csv.zip", b"PK\x03\x04" + csv(good_rows()), ("log.csv.zip", "zip data")),
    "discharge counted positive": ("log.csv", csv(turned(-1.0)), ("--discharge-positive",)),
    "another bank": ("log.csv", csv(turned(1.0, 2.0)), ("row 2", "looks like 8 cells")),
    "one cell's voltage": ("log.csv", csv(turned(1.0, 0.25)), ("row 2", "looks like 1 cell")),
    "millivolts": ("log.csv", csv(turned(1.0, 1000.0)), ("row 2", "millivolts")),
    "voltage all zero": ("log.csv", csv(turned(1.0, 0.0)), ("row 2", "0 V")),
    "the bank off in between": (
        "log.csv",
        csv([*good_rows()[:20], *turned(0.0, 0.03)[20:30], *good_rows()[30:]]),
        ("row 22", "was the bank off there?"),
    ),
    "truth in percent": (
        "log.csv",
        csv([f"{row},62" for row in good_rows()], f"{LABELS},true_soc"),
        ("true_soc", "62 % is 0.62"),
    ),
    "the same column twice": (
        "log.csv",
        csv([f"{row},13" for row in good_rows()], f"{LABELS},Voltage / V"),
        ("two columns 'Voltage / V'",),
    ),
}


def flat(text: str) -> str:
    return " ".join(text.split())


def assert_says(text: str, fragments: tuple[str, ...]) -> None:
    for fragment in fragments:
        assert any(part in flat(text) for part in fragment.split("|")), (
            f"{fragment!r} not in {text}"
        )


def test_there_are_forty_cases_and_the_good_files_are_good(tmp_path: Path) -> None:
    assert len(SETUPS) + len(LOGS) >= 40
    (tmp_path / "s.toml").write_text(GOOD_SETUP)
    (tmp_path / "log.csv").write_bytes(csv(good_rows()))
    assert read_setup(tmp_path / "s.toml").present.display_soc == 0.62
    assert read_log(tmp_path / "log.csv", cells_in_series=4, on_problem="reject").warnings == ()


@pytest.mark.parametrize("name", SETUPS)
def test_setup_file_read(tmp_path: Path, name: str) -> None:
    edit, fragments = SETUPS[name]
    path = tmp_path / "setup.toml"
    path.write_text(edit(GOOD_SETUP), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_setup(path)
    assert_says(str(caught.value), fragments)
    assert len(caught.value.problems) == 1, str(caught.value)


@pytest.mark.parametrize("name", LOGS)
def test_log_read(tmp_path: Path, name: str) -> None:
    file_name, content, fragments = LOGS[name]
    path = tmp_path / file_name
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_log(path, cells_in_series=4)
    assert_says(str(caught.value), fragments)
    assert len(caught.value.problems) == 1, str(caught.value)


@pytest.mark.parametrize("reader", [read_setup, read_log])
def test_missing_file_and_folder(tmp_path: Path, reader: Callable[[Path], object]) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(InputError, match=r"no such file|is a directory|permission denied"):
            reader(path)


# ---------------------------------------------------------------- through the command

needs_command = pytest.mark.skipif(
    importlib.util.find_spec("socband.cli") is None, reason="no command yet"
)
needs_model = pytest.mark.skipif(not MODELS, reason="no cell model file yet")


def run_command(
    argv: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of the command, in this process."""
    from socband.cli import main

    monkeypatch.setattr(sys, "argv", ["socband", *argv])
    code = 0
    try:
        returned = main()
    except SystemExit as leaving:
        code = leaving.code if isinstance(leaving.code, int) else int(leaving.code is not None)
    else:
        code = returned or 0
    output = capsys.readouterr()
    return code, output.out, output.err


def assert_refused(code: int, out: str, err: str, fragments: tuple[str, ...]) -> None:
    assert code == 2, (code, out, err)
    assert "Traceback" not in out + err
    assert out == ""
    assert_says(err, fragments)


@needs_command
@pytest.mark.parametrize("name", SETUPS)
def test_setup_file_through_the_command(
    tmp_path: Path,
    name: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    edit, fragments = SETUPS[name]
    path = tmp_path / "setup.toml"
    path.write_text(edit(GOOD_SETUP), encoding="utf-8")
    saved = ["--save", str(tmp_path / "out.nc"), "--plot", str(tmp_path / "out.png")]
    assert_refused(*run_command(["tonight", str(path), *saved], monkeypatch, capsys), fragments)
    assert [entry.name for entry in tmp_path.iterdir()] == ["setup.toml"]


@needs_command
@needs_model
@pytest.mark.parametrize("name", LOGS)
def test_log_through_the_command(
    tmp_path: Path,
    name: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    file_name, content, fragments = LOGS[name]
    (tmp_path / "setup.toml").write_text(GOOD_SETUP, encoding="utf-8")
    (tmp_path / file_name).write_bytes(content)
    inputs = [str(tmp_path / "setup.toml"), str(tmp_path / file_name)]
    saved = ["--save", str(tmp_path / "out.nc"), "--plot", str(tmp_path / "out.png")]
    assert_refused(*run_command(["replay", *inputs, *saved], monkeypatch, capsys), fragments)
    assert {entry.name for entry in tmp_path.iterdir()} == {"setup.toml", file_name}


@needs_command
@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"norm"', '"normal"', "did you mean 'norm'"),
        (f'"{CELL}"', '"no-such-cell"', "no-such-cell"),
    ],
)
def test_in_a_process_of_its_own(tmp_path: Path, old: str, new: str, says: str) -> None:
    """The exit code and the absence of a traceback as the shell sees them."""
    path = tmp_path / "setup.toml"
    path.write_text(swap(old, new)(GOOD_SETUP), encoding="utf-8")
    code = "from socband.cli import main; raise SystemExit(main())"
    done = subprocess.run(
        [sys.executable, "-c", code, "tonight", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert_refused(done.returncode, done.stdout, done.stderr, (says,))


@needs_command
@needs_model
def test_every_problem_names_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of two files at once, and of one; a flag stands for itself."""
    setup, log = tmp_path / "setup.toml", tmp_path / "log.csv"
    setup.write_text(swap("= 100", "= -100")(GOOD_SETUP), encoding="utf-8")
    log.write_bytes(csv(with_row(9, "300,-2,13.19")))
    says = ("setup.toml, bank.rated_capacity_ah", "log.csv, row 11")
    done = run_command(["replay", str(setup), str(log)], monkeypatch, capsys)
    assert_refused(*done, says)
    done = run_command(["tonight", str(setup), "--until", "7am"], monkeypatch, capsys)
    assert_refused(*done, ("- setup.toml, bank.rated_capacity_ah", "- --until: found"))


@needs_command
@needs_model
@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ("no-such-cell", "setup.toml, bank.cell: found 'no-such-cell'; expected the name of a"),
        ("no-such.toml", "no-such.toml, no such file; expected the path of a cell model file"),
        ("half.toml", "half.toml, about: found nothing"),
    ],
)
def test_a_cell_model_that_is_none_is_said_with_all_else(
    tmp_path: Path,
    cell: str,
    says: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Of every command, whatever else is wrong with the setup file, and of the file that names
    it."""
    setup, log = tmp_path / "setup.toml", tmp_path / "log.csv"
    (tmp_path / "half.toml").write_text("[limits]\n", encoding="utf-8")
    log.write_bytes(csv(with_row(9, "300,-2,13.19")))
    named = swap(f'"{CELL}"', f'"{cell}"')(GOOD_SETUP)
    for text, more in (
        (named, ()),
        (swap("= 100", "= -100")(named), ("setup.toml, bank.rated_capacity_ah",)),
    ):
        setup.write_text(text, encoding="utf-8")
        for command in ("tonight", "budget", "check"):
            files = [str(setup), str(log)] if command == "check" else [str(setup)]
            too = ("log.csv, row 11",) if command == "check" else ()
            done = run_command([command, *files], monkeypatch, capsys)
            assert_refused(*done, (says, *more, *too))


@needs_command
@needs_model
@pytest.mark.parametrize("command", ["check", "replay", "suspects"])
@pytest.mark.parametrize("broken", [1, 5])
def test_currents_beyond_any_house_bank(
    tmp_path: Path,
    command: str,
    broken: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """100 Ah and 3000 A: a broken row, or a column in mA; nothing is made of it."""
    rows = "".join(f"{60 * j},13.2,{-3000 if 2 <= j < 2 + broken else -3}\n" for j in range(30))
    (tmp_path / "log.csv").write_text("Test Time / s,Voltage / V,Current / A\n" + rows)
    (tmp_path / "setup.toml").write_text(GOOD_SETUP, encoding="utf-8")
    inputs = [str(tmp_path / "setup.toml"), str(tmp_path / "log.csv")]
    says = ("log.csv, row 4", "-3000 A", "2000 A")
    assert_refused(*run_command([command, *inputs], monkeypatch, capsys), says)
