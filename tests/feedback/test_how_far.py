"""What a second beyond what is asked counts for: in proportion to the distance, whole from half of the limit on."""

import pandas as pd
import pytest

from qi.feedback.how_far import off


@pytest.mark.parametrize(
    ("values", "weight", "above"),
    [
        ([66.0], 0.2, 1.0),  # 6 of 60 is a tenth beyond: a fifth of the half
        ([45.0], 0.2, 0.0),
        ([25.0], 1.0, 0.0),
        ([10.0], 1.0, 0.0),
        ([120.0], 1.0, 1.0),
        ([66.0, 25.0], 0.6, 0.5),
    ],
)
def test_the_distance_to_the_nearer_edge_is_what_counts(values, weight, above):
    told = off(pd.Series(values), 50.0, 60.0)
    assert (told.weight, told.above) == (pytest.approx(weight), above)


def test_an_open_edge_is_never_passed():
    told = off(pd.Series([3.0]), 6.0, float("inf"))
    assert (told.weight, told.above) == (1.0, 0.0)
