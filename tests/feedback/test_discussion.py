"""Questions for a teaching round: one for whatever could have gained most, nobody blamed, nobody asked what they remember."""

import re
from pathlib import Path

import pytest

from qi import pipeline
from qi.feedback import debrief, discussion
from tests.feedback.made_cases import measured

SAMPLES = Path(__file__).parents[2] / "sample_cases"


def test_whatever_the_sheet_has_a_question_for_has_one_for_a_room():
    assert set(discussion._BY_GAIN) == set(debrief._BY_GAIN)


@pytest.mark.parametrize("module", [debrief, discussion])
def test_no_question_on_what_gains_asks_who(module):
    assert not [words for words in module._BY_GAIN.values() if re.search(r"\bwho(m|se)?\b", words.casefold())]


@pytest.mark.parametrize("case", sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir()))
def test_few_open_questions_that_ask_nobody_what_they_did(case):
    asked = discussion.questions(pipeline.measure_case(SAMPLES / case))
    assert 1 <= len(asked) <= discussion.MOST
    assert len({one.text for one in asked}) == len({one.key for one in asked}) == len(asked)
    for one in asked:
        assert one.text.endswith("?")
        assert set(one.rests_on) <= set(pipeline.MEASURE_IDS)
        said = one.text.casefold()
        assert not any(word in said for word in ("fault", "blame", "did you", "do you remember", "why did", "mistake"))


def test_the_first_question_is_on_what_would_have_gained_most_and_an_unexplained_pause_is_asked_about(tmp_path):
    asked = discussion.questions(measured(tmp_path, [(100.0, 40.0, ""), (200.0, 15.0, "")]))
    assert asked[0].text == discussion._BY_GAIN["pauses"]
    assert "what might it have been" in asked[1].text
    assert "pause of 4" in asked[1].text  # the longer one of the two: 40 s and what the last cycle leaves


def test_a_case_without_compressions_has_its_general_questions(tmp_path):
    (tmp_path / "events.csv").write_text("time_s,type,value\n0,arrest_recognised,\n60,rosc,\n", encoding="utf-8")
    (tmp_path / "case.toml").write_text('id = "made"\n', encoding="utf-8")
    assert all(not one.rests_on for one in discussion.questions(pipeline.measure_case(tmp_path)))
