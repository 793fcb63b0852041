"""Whose limit stands across a chart: the one that all protocols of the cases share, none where they ask different things.

Limits of the built-in protocols are those of qi/judge/protocols; "ours" is made up here.
"""

import pytest

from qi.desk import definitions, limits, over_time
from qi.desk.charted import charted
from qi.judge import protocol as protocols
from qi.measures import MEASURES
from qi.trends.series import IN_TIME, OWN, SHARES, View, as_in_time, in_time_table
from tests.trends.cases import case, repeated, table

DEVICE = "time_to_device_s.itd.first_compression"
STRICT = 'extends = "adult-2020"\n[limits.compression_fraction]\nlimit = ">= 0.95"\nlimit_source = "the medical director"\n'
QUICK = 'extends = "adult-2020"\n[limits.time_to_device_s]\nlimit = "<= 60"\nlimit_source = "ours"\nof = ["itd"]\n'


@pytest.fixture
def write(library):
    def write(name, text):
        folder = library.folder / "protocols"
        folder.mkdir(exist_ok=True)
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")

    return write


def subjects(library, *names, **told):
    cases = table(*(case(protocol=name, **told) for name in names))
    return over_time.subjects(library, limits.held_to(library, cases))


def test_one_protocol_of_all_cases_is_the_one_that_is_drawn_whatever_the_default_asks(library, write):
    write("ours", STRICT)
    one = subjects(library, "ours", "ours")["compression_fraction"]
    assert (one.limit, one.low, one.high, one.protocols) == ("at least 95\u00a0%", 0.95, None, ("ours",))
    assert limits.whose(one) == "The dotted line is the limit of the protocol ours. Each case was judged by its own."
    assert limits.without([("Fraction", one)]) == ""


def test_where_protocols_differ_no_limit_is_drawn_and_where_they_agree_it_is(library, write):
    write("ours", STRICT)
    found = subjects(library, "ours", "adult-2020")
    one, same = found["compression_fraction"], found["longest_pause_s"]
    assert (one.limit, one.low, one.high) == (OWN, None, None)
    assert SHARES in one.sorts
    assert "No limit is drawn" in limits.whose(one)
    assert "adult-2020 and ours" in limits.whose(one)
    assert limits.without([("Fraction", one), ("Pause", same)]).startswith("No limit is drawn for Fraction: ")
    assert same.high == 10.0
    assert "that the protocols adult-2020 and ours share" in limits.whose(same)
    cases = [case(protocol=name, compression_fraction=0.8) for name in ("ours", "adult-2020")]
    assert charted(table(*cases), one, View()).drawn.limit == (None, None, "")


def test_a_case_that_is_left_out_of_comparisons_moves_no_limit(library, write):
    write("ours", STRICT)
    cases = table(case(), case(protocol="ours", excluded="training"))
    assert limits.held_to(library, cases).names == ("adult-2020",)


def test_in_time_is_judged_by_each_cases_own_limit(library, write):
    """Worn after 100 s: late under 60 s, in time under the default's. Counted by hand: 3 of 7 in time."""
    write("ours", QUICK)
    one = subjects(library, "ours", "adult-2020")[DEVICE]
    assert dict(one.own_times)["ours"] == 60.0
    assert dict(one.own_times)["adult-2020"] >= 100.0
    worn = {DEVICE: 100.0, f"{DEVICE}__status": "applied", "any_rosc": "no"}
    cases = table(*repeated(4, protocol="ours", **worn), *repeated(3, **worn))
    found = in_time_table(cases, one, "month").iloc[0]
    assert (found["count"], found["n"]) == (3, 7)
    answers, _ = as_in_time(cases, one)
    assert answers[DEVICE].tolist() == [0.0] * 4 + [1.0] * 3
    made = charted(cases, one, View(sort=IN_TIME))
    assert made.drawn.name == "ITD on, from first compression, in the time that its own protocol asks for"


def test_a_case_whose_protocol_cannot_be_read_is_not_judged_in_time(library, write):
    write("ours", "extends = 7 7")
    found = subjects(library, "ours", "adult-2020")
    assert (found["compression_fraction"].limit, found["compression_fraction"].low) == (OWN, None)
    worn = {DEVICE: 100.0, f"{DEVICE}__status": "applied", "any_rosc": "no"}
    cases = table(case(protocol="ours", **worn), case(**worn))
    assert in_time_table(cases, found[DEVICE], "month").iloc[0]["n"] == 1
    alone = subjects(library, "ours")
    assert {one.limit for one in alone.values()} == {""}
    assert in_time_table(cases.head(1), alone[DEVICE], "month").iloc[0]["n"] == 0
    never = table(case(protocol="ours", **{f"{DEVICE}__status": "never", "any_rosc": "no"}))
    assert as_in_time(never, alone[DEVICE])[0][DEVICE].isna().all()


def test_a_file_with_the_name_of_a_built_in_protocol_counts_for_the_cases_that_were_measured_under_it(library, write):
    """Told by the digest in the row: by age a case has the protocol that comes with the app."""
    ids = tuple(measure.id for measure in MEASURES)
    built_in = protocols.read("child-2020", chosen_by="", measures=ids)
    write("child-2020", STRICT)
    ours = protocols.read("child-2020", chosen_by="", measures=ids, near=[library.folder / "protocols"])
    for one, low in ((built_in, 0.6), (ours, 0.95)):
        digest = definitions.digest(one)
        assert subjects(library, "child-2020", definitions_digest=digest)["compression_fraction"].low == low
    both = table(*(case(protocol="child-2020", definitions_digest=definitions.digest(one)) for one in (built_in, ours)))
    assert limits.held_to(library, both).unreadable == ("child-2020",)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("adult-2020", 'extends = "adult-2020"\n', "extends itself through adult-2020.toml"),
        ("adult-2020", "no toml", "not a protocol in TOML"),
        ("newborn", 'extends = "adult-2020"\nlimits = 3\n', "not written as a protocol's parts are"),
        ("newborn", 'extends = "adult-2020"\n[limits]\ncompression_fraction = 3\n', "not written as"),
        ("newborn", 'extends = "adult-2020"\n[limits.compression_fraction]\nlimit = ">= 1.2.3"\n', "not written as"),
    ],
)
def test_a_broken_file_is_told_by_name_and_what_it_does_not_touch_works(library, write, name, text, words):
    write(name, text)
    ((file, why),) = limits.broken(library).items()
    assert file == f"{name}.toml"
    assert words in why
    assert str(library.folder) not in why
    assert over_time.subjects(library)["compression_fraction"].label == "Compression fraction"
    for one in ("adult-2020", "child-2020"):
        built_in = protocols.read(one, chosen_by="", measures=tuple(measure.id for measure in MEASURES))
        found = subjects(library, one, definitions_digest=definitions.digest(built_in))
        assert found["compression_fraction"].low == 0.6
