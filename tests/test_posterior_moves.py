"""The moves' proposals reach all of a posterior that is known by quadrature, and keep it."""

from __future__ import annotations

import numpy as np
import pytest

from socband.posterior_moves import MOST_SCORE, load_for_offset, towards_all
from socband.unknowns import NAMES

LOAD, OFFSET = NAMES.index("untracked_a"), NAMES.index("offset_a")
N = 6_000
SEEN, DOUBT = (
    1.5,
    0.2,
)  # the sum of offset and load, as voltages tell it, in deviations of the offset


def load_of(scores):
    """No load below a score of 0.4; a straight rise above it."""
    return 2.0 * np.maximum(scores[LOAD] - 0.4, 0.0)


def log_likelihood(scores):
    return -0.5 * ((scores[OFFSET] + load_of(scores) - SEEN) / DOUBT) ** 2


def exact():
    """(chance of no load, mean load, mean offset) on a grid of both scores."""
    grid = np.linspace(-6.0, 6.0, 1201)
    scores = dict(zip((LOAD, OFFSET), np.meshgrid(grid, grid), strict=True))
    log = log_likelihood(scores) - 0.5 * (scores[LOAD] ** 2 + scores[OFFSET] ** 2)
    p = np.exp(log - log.max())
    p /= p.sum()
    load = load_of(scores)
    return np.array([p[load == 0.0].sum(), (p * load).sum(), (p * scores[OFFSET]).sum()])


def moved(scores, proposals, times, rng):
    for _ in range(times):
        for propose in proposals:
            proposed, ratio = propose(scores, rng)
            ratio = ratio + log_likelihood(proposed) - log_likelihood(scores)
            scores = np.where(np.log(rng.random(N)) < ratio, proposed, scores)
    return scores


def along(scores, rng):
    return load_for_offset(scores, load_of, rng)


@pytest.mark.parametrize("rough", [1.0, 0.7])
def test_a_load_for_an_offset_reaches_all_of_the_posterior(rough):
    """From no load at all; also where the offset makes up for the load only roughly."""
    rng = np.random.default_rng(3)
    scores = rng.standard_normal((len(NAMES), N))
    scores[LOAD] = -1.0
    scores[OFFSET] = SEEN

    def roughly(scores, rng):
        return load_for_offset(scores, lambda s: rough * load_of(s), rng)

    # the offset alone has to move too: every other move is of the other kind
    scores = moved(scores, (roughly, towards_all), 80, rng)
    load = load_of(scores)
    got = np.array([np.mean(load == 0.0), load.mean(), scores[OFFSET].mean()])
    error = np.array([np.sqrt(got[0] * (1 - got[0])), load.std(), scores[OFFSET].std()])
    assert np.all(np.abs(got - exact()) < 5.0 * error / np.sqrt(N))


def test_a_load_for_an_offset_moves_where_the_members_own_shape_does_not():
    """Share of proposals that are taken along the ridge, and across it."""
    rng = np.random.default_rng(4)
    scores = moved(rng.standard_normal((len(NAMES), N)), (along, towards_all), 40, rng)
    taken = {}
    for name, propose in (("along", along), ("towards all", towards_all)):
        after = moved(scores, (propose,), 1, rng)
        jump = np.abs(load_of(after) - load_of(scores))
        taken[name] = np.mean(jump > 0.5)
    assert taken["along"] > 1.3 * taken["towards all"]


def test_what_leaves_the_normal_scores_range_is_not_proposed():
    scores = np.zeros((len(NAMES), N))
    proposed, ratio = load_for_offset(scores, lambda s: 30.0 * load_of(s), np.random.default_rng(0))
    far = np.isneginf(ratio)
    assert 0.1 < far.mean() < 0.5
    np.testing.assert_array_equal(proposed[:, far], scores[:, far])
    assert np.abs(proposed[OFFSET]).max() <= 8.0


@pytest.mark.parametrize("proposes", [towards_all, along])
def test_nothing_is_proposed_where_no_quantile_function_reaches(proposes):
    """Members that one piece of evidence has driven to the edge; beyond it ppf is infinite."""
    rng = np.random.default_rng(4)
    scores = rng.standard_normal((len(NAMES), N))
    scores[OFFSET] += MOST_SCORE - 3.0
    scores = np.clip(scores, -MOST_SCORE, MOST_SCORE)
    proposed, ratio = proposes(scores, rng)
    assert np.abs(proposed).max() <= MOST_SCORE
    same = (proposed == scores).all(axis=0)
    assert 0 < same.sum() < N
    assert (ratio[same] == -np.inf).all()
