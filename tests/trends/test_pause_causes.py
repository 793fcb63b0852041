"""What pauses were for: by seconds, and by count."""

import pandas as pd
import pytest

from qi.model.errors import BadTable, NotMeasurable
from qi.trends.averages import TIME_POOLED
from qi.trends.pause_causes import both, differing, ranking
from tests.trends.cases import given

TOY = given("pareto_toy.csv")


def pauses(*rows):
    return pd.DataFrame(rows, columns=["key", "seconds", "cause"])


def test_table_made_by_hand():
    """Constructed (the note's own arithmetic): shares and running shares, other and unknown last though unknown is larger."""
    mixed = TOY.sample(frac=1.0, random_state=4)
    found = ranking(pauses(*zip("abcdefgh", mixed["seconds"].astype(float), mixed["cause"], strict=True)), by="seconds")
    assert list(found.rows["cause"]) == list(TOY["cause"])
    assert found.rows["share"].tolist() == pytest.approx(TOY["share"], abs=1e-6)
    assert found.rows["cumulative"].tolist() == pytest.approx(TOY["cum_share"], abs=1e-6)
    assert found.unknown_share == pytest.approx(153 / 1416)
    assert found.rows["cumulative"].iloc[-1] == pytest.approx(1.0)


def test_by_seconds_and_by_count_differ_and_say_so():
    table = pauses(("a", 60.0, "airway"), ("a", 4.0, "rhythm_check"), ("b", 5.0, "rhythm_check"), ("b", 6.0, "rhythm_check"))
    first, second = both(table)
    assert list(first.rows["cause"]) == ["airway", "rhythm_check"]
    assert list(second.rows["cause"]) == ["rhythm_check", "airway"]
    assert list(second.rows["count"]) == [3, 1]
    assert list(second.rows["cases"]) == [2, 1]
    assert differing(first, second) == (
        "airway: place 1 by seconds, 2 by count.",
        "rhythm check: place 2 by seconds, 1 by count.",
    )


def test_one_long_case_that_leads_alone_is_said():
    text = ranking(pauses(("a", 300.0, "moving"), ("b", 10.0, "moving"), ("c", 20.0, "unknown")), by="seconds").words()
    assert "Most went to: moving, 94 %, in 2 cases." in text
    assert "One case alone gave 97 %" in text
    assert "the cause of 6 % is not known" in text
    assert text.endswith(TIME_POOLED)


def test_a_ranking_by_count_says_that_pauses_count_and_not_seconds():
    text = ranking(pauses(("a", 300.0, "moving"), ("b", 10.0, "moving"), ("c", 20.0, "unknown")), by="count").words()
    assert text.endswith("Counted together: every pause counts once, so that cases with many pauses weigh more.")
    assert "second counts" not in text


def test_edges():
    with pytest.raises(NotMeasurable):
        ranking(pauses(), by="seconds")
    with pytest.raises(ValueError, match="by seconds or by count"):
        ranking(pauses(("a", 1.0, "moving")), by="length")
    with pytest.raises(BadTable, match="lacks cause"):
        ranking(pauses(("a", 1.0, "moving")).drop(columns="cause"), by="count")
    unknown = ranking(pauses(("a", 0.0, None)), by="seconds")
    assert unknown.rows["cause"].tolist() == ["unknown"]
    assert unknown.rows["share"].tolist() == [0.0]
