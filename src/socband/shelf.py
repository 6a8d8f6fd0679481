"""The shelf of generic loads in models/loads.toml: published powers with spreads, to start from.

A setup file takes one with `like = "router"` and may overrule any of its keys.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from socband.errors import Problem, did_you_mean, shown

FILE = "loads.toml"


@cache
def shelf() -> Mapping[str, Mapping[str, Any]]:
    """Every generic load: its name → its keys as they would stand in a setup file."""
    here = Path(__file__).resolve()
    for folder in (here.parent / "models", here.parents[2] / "models"):
        if (folder / FILE).is_file():
            with (folder / FILE).open("rb") as stream:
                return tomllib.load(stream)["load"]
    return {}


def from_shelf(raw: Mapping[str, Any], where: str, problems: list[Problem]) -> dict[str, Any]:
    """A load's table with what it takes from the shelf filled in.

    Args:
        raw: as in the setup file.
        where: for messages.
        problems: grows if there is no such generic load.
    """
    if "like" not in raw:
        return dict(raw)
    own = {key: value for key, value in raw.items() if key != "like"}
    like = raw["like"]
    if not isinstance(like, str) or like not in shelf():
        names = sorted(shelf())
        hint = did_you_mean(like, names, listed=30) if isinstance(like, str) else ""
        expected = "a generic load of models/loads.toml"
        problems.append(Problem(f"{where}.like", shown(like), expected, hint))
        return {"power_w": 0.0, **own}
    generic = {k: v for k, v in shelf()[like].items() if k not in ("title", "source")}
    if "current_a" in own:
        generic.pop("power_w", None)
    if "power_w" in own:
        generic.pop("current_a", None)
    return {"name": like, **generic, **own}
