"""How good is a verdict of the suspects? Scores of houses whose cause is known; see `House`.

A cause is *identifiable* in a house if noise-free data, made by the inference model from the true
parameters with the house's own currents, would leave at least `IDENTIFIABLE` of the posterior on
it. This asks the model and the design of the log, not the noisy voltages.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
from house_truth import House

from socband.balance import FullRule, full_rows
from socband.causes import PARAMETERS, P
from socband.models import load_cell
from socband.next_measurement import TESTS, rank_tests
from socband.site_fields import Hours
from socband.suspects import Options, Verdict, judge
from socband.suspects_draws import Draws, log_weights, predictions
from socband.suspects_fit import fit
from socband.suspects_model import Likelihood

Array = np.ndarray
IDENTIFIABLE = 0.9
CALLED_FAULTY = 0.5  # a healthy house counts as called faulty when "none" has less than this


def readings_of(house: House) -> dict[str, float]:
    """What the technician notes beside the log: the charge on the display at its end.

    Before the display first says full nobody knows what it counted from.
    """
    fulls = len(full_rows(house.log, FullRule.of_monitor(house.setup)))
    known = fulls and np.isfinite(house.display_soc)
    return {"display_soc": 100.0 * house.display_soc} if known else {}


def true_values(house: House) -> Array:
    """(len(PARAMETERS), 1) of the truth."""
    values = np.array([[house.parameters.get(name, np.nan)] for name in PARAMETERS])
    values[P["start_soc"]] = house.log.true_soc[0]
    return values


def posterior_of_noise_free(house: House, verdict: Verdict, options: Options, seed: int) -> float:
    """Posterior probability of the true cause if the voltages were free of noise and misfit."""
    fits, hypotheses = verdict.fits, verdict.draws.hypotheses
    values = true_values(house)
    mine = [j for j, h in enumerate(hypotheses) if h.cause == house.cause]
    if not mine:
        return 0.0
    maker = mine[0]
    hypothesis = hypotheses[maker]
    if house.hours:
        a, b = (float(x) for x in house.hours.split("-"))
        spans = [(a, b)] if a < b else [(a, 24.0), (0.0, b)]
        minutes = tuple(sorted((int(60 * x), max(int(60 * y), int(60 * x) + 1)) for x, y in spans))
        hypothesis = replace(hypothesis, hours=Hours(minutes))
    causes = options.causes
    design = fits.columns.design(hypothesis, causes)
    source = Likelihood(design, hypothesis, fits.columns, causes, fits.yardstick)
    white = source.residuals(values)[0][0]
    x, before = np.empty(len(white)), 0.0
    for k in range(len(white)):
        before = design.carry[k] * before + np.sqrt(1.0 - design.carry[k] ** 2) * white[k]
        x[k] = before
    voltage_v = source.voltage_v - x * fits.yardstick.std_v
    balance = source.net_charge(
        source.coefficients(values), design.balance_ah, design.balance_hours
    )[0]
    rng = np.random.default_rng([seed, 21])
    log_weight, causes_seen = [], []
    wanted = {"00:00-08:00", "06:00-14:00", "12:00-20:00", "18:00-02:00", "21:00-05:00"}
    counted = sum(h.cause == "untracked_hours" for h in hypotheses)
    for j, other in enumerate(hypotheses):
        weight = other.weight
        if other.cause == "untracked_hours":
            if house.cause == "untracked_hours" and other is hypotheses[maker]:
                other = hypothesis
            elif other.detail not in wanted:
                continue
            weight *= counted / len(wanted)
        target = fits.likelihoods[j]
        changes: dict[str, Any] = {"voltage_v": voltage_v}
        if target.balance.size == balance.size:
            changes["balance"] = balance
        trial_design = target.design if other is not hypothesis else design
        trial = Likelihood(trial_design, other, fits.columns, causes, fits.yardstick, **changes)
        got = fit(trial, rng, 100, fits.start_score)
        evidence = got.log_evidence
        if np.isfinite(house.display_soc) and trial_design.declared:
            scores = rng.standard_normal((len(other.free), 400))
            values_j = other.values(scores)
            setting = values_j[P["capacity_setting"]] * house.setup.bank.rated_capacity_ah
            counted_ah = values_j[P["efficiency_setting"]] * trial_design.end_in_ah
            shown = np.minimum(1.0 + (counted_ah - trial_design.end_out_ah) / setting, 1.0)
            std = options.meters.display_soc
            z = (shown - house.display_soc) / std
            evidence += float(np.log(np.mean(np.exp(-0.5 * z**2) / std) + 1e-6))
        log_weight.append(np.log(weight) + evidence)
        causes_seen.append(other.cause)
    w = np.exp(np.array(log_weight) - max(log_weight))
    return float(w[np.array(causes_seen) == house.cause].sum() / w.sum())


def entropy_bits(probability: Array) -> float:
    p = probability[probability > 0.0]
    return float(-(p * np.log2(p)).sum())


def after_test(house: House, verdict: Verdict, key: str, options: Options, rng) -> float:
    """Entropy of the cause after a test whose reading follows the truth of the house."""
    cell = load_cell(house.cell)
    test = next(t for t in TESTS if t.key == key)
    conditions = dict(test.readings)
    rated = house.setup.bank.rated_capacity_ah
    if "load" in conditions:
        conditions["load"] = rated / 8.0
    if key == "clamp_heavy_load":
        conditions["clamp"] = -rated / 5.0
    draws = verdict.draws
    mine = [j for j, h in enumerate(draws.hypotheses) if h.cause == house.cause]
    hypothesis = draws.hypotheses[mine[0]]
    if house.hours:
        a, b = (float(x) for x in house.hours.split("-"))
        spans = [(a, b)] if a < b else [(a, 24.0), (0.0, b)]
        hypothesis = replace(
            hypothesis, hours=Hours(tuple(sorted((int(60 * x), int(60 * y)) for x, y in spans)))
        )
    shortfall = max(house.size, 0.0) if house.cause == "false_rezero" else 0.0
    truth = Draws((hypothesis,), np.zeros(1, int), true_values(house), np.array([house.soc]),
                  *2 * (np.array([shortfall]),), np.array([np.nan]), draws.clock_hour,
                  draws.zero_share, np.zeros(1, int))  # fmt: skip
    said = predictions(truth, conditions, house.setup, cell, options.meters)
    for name, (mean, std) in said.items():
        conditions[name] = float(mean[0] + std[0] * rng.standard_normal())
    log_w = log_weights(draws, conditions, house.setup, cell, options.meters)
    w = np.exp(log_w - log_w.max())
    w /= w.sum()
    names = draws.causes
    return entropy_bits(np.array([w[names == n].sum() for n in np.unique(names)]))


def score_house(house: House, seed: int, options: Options, quick: bool = False) -> dict[str, Any]:
    """One house: probabilities, and what the summary needs."""
    cell = load_cell(house.cell)
    readings = readings_of(house)
    began = time.process_time()
    verdict = judge(house.setup, cell, house.log, readings, seed, 12000, options)
    seconds = time.process_time() - began
    row: dict[str, Any] = {
        "record": house.log.name,
        "cause": house.cause,
        "size": house.size,
        "probability": verdict.probability,
        "seconds": seconds,
        "soc_error": float(np.median(verdict.draws.soc) - house.soc),
        "soc_inside": bool(
            np.quantile(verdict.draws.soc, 0.05)
            <= min(max(house.soc, 0.0), 1.0)  # full in truth may differ from 1 by rounding
            <= np.quantile(verdict.draws.soc, 0.95)
        ),
        "fulls": verdict.fits.likelihoods[0].design.true,
    }
    names = verdict.draws.causes
    untracked = (names == "untracked_steady") | (names == "untracked_hours")
    if house.cause.startswith("untracked") and untracked.sum() > 20:
        mean_a = verdict.draws.untracked_mean()[untracked]
        fraction = 1.0
        if house.hours:
            a, b = (float(x) for x in house.hours.split("-"))
            fraction = ((b - a) % 24.0) / 24.0
        row["untracked_inside"] = bool(
            np.quantile(mean_a, 0.05) <= house.untracked_a * fraction <= np.quantile(mean_a, 0.95)
        )
    if quick:
        return row
    row["identifiable"] = posterior_of_noise_free(house, verdict, options, seed)
    rng = np.random.default_rng([seed, 22])
    before = np.array(list(verdict.probability.values()))
    row["entropy_before"] = entropy_bits(before)
    best = rank_tests(verdict, house.setup, cell, {}, seed, options.meters)[0].key
    other = TESTS[rng.integers(len(TESTS))].key
    if any(h.cause == house.cause for h in verdict.draws.hypotheses):
        row["entropy_best"] = after_test(house, verdict, best, options, rng)
        row["entropy_random"] = after_test(house, verdict, other, options, rng)
    return row


def score_all(
    houses: list[House], score: Callable[[House], dict[str, Any]], processes: int
) -> list[dict[str, Any]]:
    """`score` of every house, in their order, on so many processes."""
    if processes < 2:
        return [score(house) for house in houses]
    with ProcessPoolExecutor(processes) as pool:
        return list(pool.map(score, houses))


def calibration_error(rows: list[dict[str, Any]], bins: int = 10) -> tuple[float, list[tuple]]:
    """Expected calibration error over all (house, cause) pairs, and the reliability curve."""
    p, hit = [], []
    for row in rows:
        for name, value in row["probability"].items():
            p.append(value)
            hit.append(name == row["cause"])
    p, hit = np.array(p), np.array(hit, dtype=float)
    bin_of = np.minimum((p * bins).astype(int), bins - 1)
    curve, error = [], 0.0
    for b in range(bins):
        inside = bin_of == b
        if inside.any():
            curve.append((float(p[inside].mean()), float(hit[inside].mean()), int(inside.sum())))
            error += inside.mean() * abs(p[inside].mean() - hit[inside].mean())
    return float(error), curve


def top_calibration(rows: list[dict[str, Any]], bins: int = 5) -> float:
    """Expected calibration error of the top suspect's probability alone, the stricter figure."""
    p = np.array([max(r["probability"].values()) for r in rows])
    hit = np.array([max(r["probability"], key=r["probability"].get) == r["cause"] for r in rows])
    bin_of = np.minimum((p * bins).astype(int), bins - 1)
    return float(
        sum(
            (bin_of == b).mean() * abs(p[bin_of == b].mean() - hit[bin_of == b].mean())
            for b in np.unique(bin_of)
        )
    )


def bootstrap_std(
    rows: list[dict[str, Any]], figure: Callable[[list[dict[str, Any]]], float], times: int = 200
) -> float:
    """Standard error of a figure over drawing the houses again."""
    rng = np.random.default_rng(0)
    drawn = [figure([rows[j] for j in rng.integers(0, len(rows), len(rows))]) for _ in range(times)]
    return float(np.std(drawn))


def share(hits: list[bool] | Array) -> str:
    hits = np.asarray(hits, dtype=float)
    if hits.size == 0:
        return "none"
    error = np.sqrt(max(hits.mean() * (1 - hits.mean()), 1e-9) / hits.size)
    return f"{hits.mean():.3f} ± {error:.3f} (n = {hits.size})"


def report(rows: list[dict[str, Any]], noun: str = "houses") -> str:
    """The figures as text."""
    top = [max(r["probability"], key=r["probability"].get) for r in rows]
    right = np.array([t == r["cause"] for t, r in zip(top, rows, strict=True)])
    lines = [f"{noun}: {len(rows)}, {np.mean([r['seconds'] for r in rows]):.1f} s CPU each"]
    lines.append(f"top suspect right, all {noun}: {share(right)}")
    if "identifiable" in rows[0]:
        known = np.array([r["identifiable"] >= IDENTIFIABLE for r in rows])
        lines.append(f"identifiable (criterion >= {IDENTIFIABLE}): {known.sum()} {noun}")
        causes = [r["cause"] for r, yes in zip(rows, known, strict=True) if yes]
        lines.append(f"  of them {dict(Counter(causes).most_common())}")
        lines.append(f"  top suspect right there: {share(right[known])}   target >= 0.90")
    error, curve = calibration_error(rows)
    error_std = bootstrap_std(rows, lambda some: calibration_error(some)[0])
    lines.append(
        f"expected calibration error, all causes: {error:.4f} ± {error_std:.4f}   target <= 0.05"
    )
    top_std = bootstrap_std(rows, top_calibration)
    lines.append(f"  of the top suspect alone, 5 bins: {top_calibration(rows):.3f} ± {top_std:.3f}")
    lines += [f"    said {a:.2f}  came true {b:.2f}  (n = {n})" for a, b, n in curve]
    covered = [r["untracked_inside"] for r in rows if "untracked_inside" in r]
    lines.append(f"90 % band of the untracked current covers: {share(covered)}   target 0.85-0.95")
    healthy = [r for r in rows if r["cause"] == "none"]
    wrong = [
        r["probability"].get("none", 0.0) < CALLED_FAULTY
        and max(r["probability"], key=r["probability"].get) != "none"
        for r in healthy
    ]
    lines.append(f"healthy {noun} called faulty: {share(wrong)}   target <= 0.05")
    lines.append(f"true charge in its 90 % band: {share([r['soc_inside'] for r in rows])}")
    pairs = [r for r in rows if "entropy_best" in r]
    if pairs:
        gap = np.array([r["entropy_random"] - r["entropy_best"] for r in pairs])
        mean = {k: np.mean([r[k] for r in pairs]) for k in
                ("entropy_before", "entropy_best", "entropy_random")}  # fmt: skip
        lines.append(
            f"entropy of the cause [bit]: before {mean['entropy_before']:.3f}, after the "
            f"recommended test {mean['entropy_best']:.3f}, after a random one "
            f"{mean['entropy_random']:.3f}; difference {gap.mean():.3f} ± "
            f"{gap.std(ddof=1) / np.sqrt(len(gap)):.3f}"
        )
    lines.append(f"by true cause: right / {noun}, mean probability of the truth")
    for name in dict.fromkeys(r["cause"] for r in rows):
        own = [j for j, r in enumerate(rows) if r["cause"] == name]
        mean = np.mean([rows[j]["probability"].get(name, 0.0) for j in own])
        taken = {t: [top[j] for j in own].count(t) for t in {top[j] for j in own}}
        lines.append(f"  {name:20s} {right[own].sum():3d} / {len(own):3d}  {mean:.2f}  {taken}")
    return "\n".join(lines)
