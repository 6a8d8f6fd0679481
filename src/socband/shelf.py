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
from socband.site_priors import Assumption, described

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
    return {"name": like, **_generic(like, own), **own}


def _generic(like: str, own: Mapping[str, Any]) -> dict[str, Any]:
    """What a load takes from the shelf: what it does not say itself."""
    said = set(own)
    if said & {"current_a", "power_w"}:  # either of them says what it draws
        said |= {"current_a", "power_w"}
    return {k: v for k, v in shelf()[like].items() if k not in {"title", "source", *said}}


def taken_from_shelf(raw: Any, where: str) -> Assumption | None:
    """What a load of the setup file takes from the shelf, as one assumption; None if nothing.

    Args:
        raw: as in the setup file.
        where: what the load is called.
    """
    like = raw.get("like") if isinstance(raw, Mapping) else None
    if not isinstance(like, str) or like not in shelf():
        return None
    generic = _generic(like, raw)
    if not generic:
        return None
    words = [f"{key} {described(key, value)}" for key, value in generic.items()]
    source = f"a generic load, like = {like!r}, not yours: {shelf()[like]['source']}"
    return Assumption(where, "; ".join(words), source)
