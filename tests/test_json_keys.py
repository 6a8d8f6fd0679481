"""Every key at the top of a command's JSON stands in the table of the README, and no other."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from socband.bench_pool import pooled_scores
from socband.cli import main
from socband.identify_command import fit_json

ROOT = Path(__file__).resolve().parent.parent
EXAMPLES = ROOT / "examples"
CABIN, BOAT = str(EXAMPLES / "lake-cabin.toml"), str(EXAMPLES / "long-boat.toml")
VAN, LOG = str(EXAMPLES / "workshop-van.toml"), str(EXAMPLES / "workshop-van.csv")
UNITS = ("hours", "days", "s", "ah", "a", "v", "c", "bits")


def table() -> dict[str, tuple[set[str], set[str]]]:
    """Keys by command: those that are always there, and those that may be."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    rows = text.split("<!-- json-keys -->\n", 1)[1].split("\n\n", 1)[0].splitlines()[2:]
    cells = [[set(re.findall(r"`(\w+)`", cell)) for cell in row.split("|")[1:4]] for row in rows]
    return {next(iter(name)): (always, maybe) for name, always, maybe in cells}


@pytest.fixture(scope="module")
def shown(tmp_path_factory) -> dict[str, list[dict]]:
    """What each command prints, with and without what only may be there."""
    from contextlib import redirect_stdout
    from io import StringIO

    def of(*argv: str) -> dict:
        out = StringIO()
        with redirect_stdout(out):
            assert main([*argv, "--json"]) == 0
        return json.loads(out.getvalue())

    few, some = ("--members", "200"), ("--members", "1000")
    true = tmp_path_factory.mktemp("json") / "true.csv"
    head, *rows = Path(LOG).read_text(encoding="utf-8").splitlines()
    rows = [f"{row},{soc:.4f}" for row, soc in zip(rows, np.linspace(0.9, 0.4, 40), strict=False)]
    true.write_text("\n".join([f"{head},true_soc", *rows]), encoding="utf-8")
    return {
        "tonight": [of("tonight", VAN, LOG, *few), of("tonight", BOAT, *few)],
        "replay": [of("replay", VAN, LOG, *few), of("replay", VAN, str(true), *few, "--hindsight")],
        "suspects": [of("suspects", VAN, LOG, *some), of("suspects", CABIN, *some)],
        "charging": [of("charging", VAN, LOG, *some), of("charging", CABIN, *some)],
        "budget": [of("budget", CABIN, *some)],
    }


@pytest.mark.parametrize("command", ["tonight", "replay", "suspects", "charging", "budget"])
def test_every_key_at_the_top_stands_in_the_readme(shown, command: str) -> None:
    always, maybe = table()[command]
    printed = [set(answer) for answer in shown[command]]
    assert set.union(*printed) == always | maybe
    assert set.intersection(*printed) >= always


def test_the_table_names_all_commands_that_print_json() -> None:
    from inspect import signature

    from socband import cli_owner, cli_research, cli_technician

    modules = (cli_owner, cli_research, cli_technician)
    commands = (
        "tonight",
        "replay",
        "check",
        "suspects",
        "charging",
        "budget",
        "cell",
        "fit",
        "bench",
    )
    found = {
        name
        for name in commands
        for module in modules
        if name in vars(module) and "json" in signature(getattr(module, name)).parameters
    }
    assert found == set(table())


def test_fit_and_bench_print_what_the_readme_names() -> None:
    """By what their functions return; running them takes minutes."""
    from types import SimpleNamespace

    import xarray as xr

    fitted = SimpleNamespace(cell=SimpleNamespace(name="x", capacity_ah=2.0), notes=(), records=[])
    assert set(fit_json(fitted)) == set.union(*table()["fit"])
    nothing = xr.Dataset({"state": (("estimator", "record"), [[0]])},
                         {"estimator": ["a"], "record": ["r"]})  # fmt: skip
    assert set(pooled_scores(nothing)) == set.union(*table()["bench"])


def test_a_number_below_zero_or_above_one_says_its_unit(shown) -> None:
    """What is charge, probability or share needs none; counts and plain words are named."""
    plain = {"days", "members", "seed", "effective_draws", "error_std", "quantiles"}
    for command, answers in shown.items():
        for answer in answers:
            for key, value in answer.items():
                number = isinstance(value, int | float) and not isinstance(value, bool)
                if number and not 0.0 <= value <= 1.0 and key not in plain:
                    assert key.rsplit("_", 1)[-1] in UNITS, (command, key)
    budget = shown["budget"][0]
    assert budget["longest_days"] == 0.0  # not even on day 0: the text says it in words
