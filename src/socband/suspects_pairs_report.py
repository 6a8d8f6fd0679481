"""What of `suspects` the evidence leaves together, and which measurement tells it apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from socband.report import wrapped
from socband.suspects_words import WORDS, why_together

if TYPE_CHECKING:
    import xarray as xr

SEPARATE_NATS = float(np.log(20.0))
TELLS_APART_BITS = 0.5  # of the one bit between two causes: rather decided than not (assumed)
SHOWN_PAIRS = 5


def not_separable(dataset: xr.Dataset) -> list[tuple[str, str]]:
    """Pairs of causes that such evidence does not tell apart by 20 : 1, most probable first."""
    names = [str(n) for n in dataset["cause"].values]
    bayes = dataset["log_bayes"].values
    pairs = []
    for i, a in enumerate(names):
        for j in range(i + 1, len(names)):
            both = bayes[i, j], bayes[j, i]
            if all(np.isfinite(both)) and min(both) < SEPARATE_NATS:
                pairs.append((a, names[j]))
    return pairs


def listed_tests(dataset: xr.Dataset) -> list[int]:
    """Which tests the list shows, in its order."""
    from socband.next_measurement import TESTS

    known, gains = {test.key for test in TESTS}, dataset["gain_bits"].values
    keys = enumerate(dataset["test"].values)
    return [j for j, key in keys if str(key) in known and (gains[j] >= 0.005 or j == 0)]


def pair_lines(dataset: xr.Dataset) -> list[str]:
    """Causes that the evidence leaves together; those of which the same is to be said, at once."""
    pairs, listed = not_separable(dataset), listed_tests(dataset)
    if not pairs:
        return []
    said: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for a, b in pairs[:SHOWN_PAIRS]:
        said.setdefault(why_together(a, b), []).append((a, b))
    lines = ["", "Not to be told apart by this evidence"]
    for (reason, mend), alike in said.items():
        first = alike[0][0]
        one = all(a == first for a, _ in alike)
        heads = [_both(*pair) for pair in alike]
        if one and len(alike) > 1:
            others = "; ".join(WORDS[b].title for _, b in alike)
            heads = [f"{WORDS[first].title} / any of {others if mend else 'those below'}"]
        lines.append(wrapped(f"- {'; '.join(heads)}", "  ", "    "))
        lines.append(wrapped(f"Why: {reason}.", "    "))
        if mend:
            lines.append(wrapped(f"Tells them apart: {mend}.", "    "))
            continue
        lines.append("    Tells them apart, by the numbers of the list below:")
        for a, b in alike:
            bits = dataset["pair_bits"].sel(cause=a, against=b).values
            which = [str(n) for n, j in enumerate(listed, 1) if bits[j] >= TELLS_APART_BITS]
            numbers = " or ".join([", ".join(which[:-1])] * (len(which) > 1) + which[-1:])
            numbers = numbers or "none by itself"
            title = WORDS[b].title if one else _both(a, b)
            lines.append(wrapped(f"{title}: {numbers}" if len(alike) > 1 else numbers, "      "))
    if len(pairs) > SHOWN_PAIRS:
        lines.append(f"  and {len(pairs) - SHOWN_PAIRS} more pairs, less probable")
    return lines


def _both(a: str, b: str) -> str:
    return f"{WORDS[a].title} / {WORDS[b].title}"
