"""From what a person fills in to a map that is kept, shared, added to, and never lost to one of the same name."""

import numpy as np
import pandas as pd
import pytest

from qi.desk import agencies, mapping
from qi.intake.look_over import look_over
from qi.intake.map_draft import propose
from qi.intake.map_form import Map
from qi.intake.meanings import Column, Word
from qi.model.errors import QiError
from qi.model.vocabulary import CHANNELS
from tests.desk.conftest import AGENCY

TABLE = "t;Travel (cm);CO2 [kPa];Lamp;What\n0;1,5;4,1;1;blue button\n0,5;1,6;4,2;1;\n1,0;1,4;4,0;1;Shock\n"


@pytest.fixture
def draft(tmp_path):
    (tmp_path / "t.csv").write_text(TABLE, encoding="utf-8")
    return propose(tmp_path / "t.csv")


def words_map(name, *words):
    return Map(name, "words", words=tuple(Word(*word) for word in words))


def test_columns_are_offered_with_what_their_names_tell(draft):
    table = mapping.columns_of(draft).set_index("column")
    assert table.loc["CO2 [kPa]", ["is", "unit"]].tolist() == ["co2", "kPa"]
    assert table.loc["Travel (cm)", ["is", "unit"]].tolist() == [mapping.ASK, "cm"]
    assert table.loc["What", "is"] == "ignored"
    assert table.loc["Travel (cm)", "first values"] == "1,5, 1,6, 1,4"


def test_units_are_all_those_that_some_channel_knows():
    units = mapping.units_of()
    assert "" not in units
    assert set(units) == {unit for about in CHANNELS.values() for unit in (about.factors or {about.unit: 1}) if unit}


@pytest.mark.parametrize("empty", [None, np.nan, "", "  "])
def test_a_cell_that_was_left_empty_says_nothing(draft, empty):
    """A table given back by the browser holds None, NaN or an empty text where nothing was filled in."""
    rows = [
        {"column": "Travel (cm)", "is": "compression_depth", "unit": "cm", "scale": np.nan},
        {"column": "Lamp", "is": "ignored", "unit": empty, "scale": 1.0},
        {"column": "CO2 [kPa]", "is": "?", "unit": "kPa", "scale": 1.0},
    ]
    made = mapping.table_map(draft, "export", draft.times[0].time, rows, [{"word": "Lamp on", "is": "note", "value": empty}])
    assert made.columns == (Column("Travel (cm)", "compression_depth", "cm"), Column("Lamp", "ignored", ""))
    assert made.words == (Word("Lamp on", "note", ""),)
    told = [{"name": "Dpth", "what": "channel", "is": "compression_depth", "unit": "mm", "value": empty}]
    told += [{"name": "blue button", "what": "event", "is": "patient_moved", "unit": empty, "value": empty}]
    made = mapping.words_map("names", told)
    assert (made.labels, made.words) == (
        (Column("Dpth", "compression_depth", "mm"),),
        (Word("blue button", "patient_moved"),),
    )


@pytest.mark.parametrize(
    "row",
    [
        {"column": "Travel (cm)", "is": "compression_depth", "unit": "kPa", "scale": 1.0},
        {"column": "Travel (cm)", "is": "compression_depth", "unit": None, "scale": 1.0},
        {"column": "no such column", "is": "co2", "unit": "mmHg", "scale": 0.0},
    ],
    ids=["another unit", "no unit", "scale of nothing"],
)
def test_a_map_that_does_not_hold_together_is_refused_in_words(draft, row):
    with pytest.raises(QiError) as refused:
        mapping.table_map(draft, "export", draft.times[0].time, [row], [])
    assert len(str(refused.value)) > 20


def test_a_map_without_a_name_is_refused(draft):
    with pytest.raises(QiError, match="name"):
        mapping.table_map(draft, "", draft.times[0].time, [], [])


def test_times_of_a_kept_map_and_a_file_that_is_read_by_it(library, draft, tmp_path):
    rows = [{"column": "Travel (cm)", "is": "compression_depth", "unit": "cm", "scale": -1.0}]
    path = mapping.keep(library, AGENCY, mapping.table_map(draft, "export", draft.times[0].time, rows, []))
    assert mapping.kept(library, AGENCY) == [path]
    (report,) = look_over(tmp_path / "t.csv", agencies.maps_of(library, AGENCY))
    assert report.map_used == "export"
    assert report.recognised_as is not None
    assert mapping.kept(library, "Another EMS") == []


def test_words_are_added_to_those_of_a_map_of_that_name(library):
    mapping.keep(library, AGENCY, words_map("names in events.csv", ("blue button", "patient_moved"), ("lamp", "note")))
    mapping.keep(library, AGENCY, words_map("names in events.csv", ("red button", "pulse_check"), ("Lamp", "rhythm_check")))
    (kept,) = agencies.maps_of(library, AGENCY)
    assert {word.text: word.type for word in kept.words} == {
        "red button": "pulse_check",
        "Lamp": "rhythm_check",
        "blue button": "patient_moved",
    }


@pytest.mark.parametrize("name", ["table", "a name that is so long that not all of it fits into the name of a file, by far"])
def test_a_table_of_other_columns_keeps_its_map_beside_one_of_the_same_name(library, tmp_path, name):
    made = []
    for number, last in enumerate(("CO2 [kPa]", "SpO2 [%]")):
        path = tmp_path / f"{number}.csv"
        path.write_text(f"t,a,b,{last}\n0,1,1,5\n1,1,1,6\n", encoding="utf-8")
        draft = propose(path)
        made.append(mapping.table_map(draft, name, draft.times[0].time, mapping.columns_of(draft).to_dict("records"), []))
    paths = [mapping.keep(library, AGENCY, one) for one in (*made, made[0])]
    assert paths[0] == paths[2] != paths[1]
    assert len(agencies.maps_of(library, AGENCY)) == 2


def test_a_damaged_map_in_the_way_is_replaced(library):
    folder = agencies.maps_folder(library, AGENCY)
    folder.mkdir(parents=True)
    (folder / "buttons.toml").write_text("name = ", encoding="utf-8")
    maps, notes = agencies.maps_and_notes(library, AGENCY)
    assert (maps, len(notes)) == ([], 1)
    mapping.keep(library, AGENCY, words_map("buttons", ("blue button", "patient_moved")))
    maps, notes = agencies.maps_and_notes(library, AGENCY)
    assert ([one.name for one in maps], notes) == (["buttons"], [])


def test_names_of_maps_and_agencies_stay_in_their_folders(library):
    path = mapping.keep(library, "../../x", words_map("../../etc/passwd", ("blue button", "note")))
    assert path.resolve().is_relative_to((library.folder / "maps").resolve())
    assert mapping.keep(library, "", words_map("§§", ("blue button", "note"))).name == "map.toml"


def test_maps_of_all_agencies_come_after_an_agency_s_own(library):
    mapping.keep(library, "", words_map("shared", ("blue button", "note")))
    mapping.keep(library, AGENCY, words_map("own", ("blue button", "patient_moved")))
    assert [one.name for one in agencies.maps_of(library, AGENCY)] == ["own", "shared"]
    assert [one.name for one in agencies.maps_of(library, "Another EMS")] == ["shared"]


def test_a_shared_map_that_is_none_is_refused_with_its_line(library):
    with pytest.raises(QiError, match="line 2"):
        mapping.take_in(library, AGENCY, 'name = "x"\nkind = "no such kind"\n')
    assert mapping.kept(library, AGENCY) == []


def test_event_words_and_roles_of_a_list(tmp_path):
    path = tmp_path / "list.csv"
    path.write_text("Time,Button,Note\n12:00:01,blue button,x\n12:00:05,shock,y\n12:00:09,blue button,z\n", encoding="utf-8")
    draft = propose(path)
    assert mapping.is_list(draft)
    words = mapping.words_of(draft).set_index("word")
    assert words.loc["blue button", ["times", "is"]].tolist() == [2, mapping.ASK]
    assert words.loc["shock", "is"] == "shock"
    roles = mapping.roles_of(draft).set_index("column")["holds"]
    assert (roles["Button"], roles["Note"]) == ("type", "text")
    filled = pd.DataFrame({"word": ["blue button"], "is": ["airway_placed"], "value": ["supraglottic"]}).to_dict("records")
    told = [{"column": "Button", "holds": "type"}, {"column": "Note", "holds": mapping.NOT_USED}]
    made = mapping.table_map(draft, "buttons", draft.times[0].time, [], filled, told)
    assert made.events.named == {"type": "Button"}
    assert made.words == (Word("blue button", "airway_placed", "supraglottic"),)


def test_a_map_is_shared_with_another_agency_as_a_file(library):
    path = mapping.keep(library, AGENCY, words_map("buttons", ("blue button", "patient_moved")))
    assert agencies.maps_of(library, "Another EMS") == []
    shared = mapping.take_in(library, "Another EMS", path.read_text(encoding="utf-8"))
    assert agencies.maps_of(library, "Another EMS") == [shared]
    assert shared.words == (Word("blue button", "patient_moved"),)


def test_forms_of_times_are_told_in_words():
    assert mapping.format_in_words("%d.%m.%Y %H:%M:%S") == "day.month.year hour:minute:second"
