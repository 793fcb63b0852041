"""The matcher of events against two independent ones: bipartite matching (mir_eval) and linear assignment (scipy)."""

import numpy as np
import pytest
from mir_eval.util import match_events
from scipy.optimize import linear_sum_assignment

from tests.matching import pairs, score


@pytest.mark.parametrize("seed", range(20))
def test_as_many_pairs_as_mir_eval_and_scipy_assignment(seed):
    rng = np.random.default_rng(seed)
    known = np.sort(rng.uniform(0, 40, rng.integers(1, 60)))
    found = np.sort(np.concatenate([known[rng.random(len(known)) < 0.8] + rng.normal(0, 0.2, 1), rng.uniform(0, 40, 10)]))
    ours = pairs(known, found, tolerance_s=0.3)
    assert len(ours) == len(match_events(known, found, 0.3))
    too_far = (np.abs(known[:, None] - found[None, :]) > 0.3).astype(float)
    rows, columns = linear_sum_assignment(too_far)
    assert len(ours) == int((too_far[rows, columns] == 0).sum())
    assert (np.abs(known[ours[:, 0]] - found[ours[:, 1]]) <= 0.3).all()
    assert len(set(ours[:, 0])) == len(set(ours[:, 1])) == len(ours)


def test_counts():
    result = score([1.0, 2.0, 3.0], [1.1, 1.2, 5.0], tolerance_s=0.15)
    assert (result.hits, result.misses, result.false) == (1, 2, 2)
    assert result.f1 == pytest.approx(1 / 3)
    assert score([], [], tolerance_s=1.0).f1 == 1.0
