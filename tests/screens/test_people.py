"""The list of people on the screen: added, refused with a reason, ended."""

from tests.screens.conftest import SAMPLES, words


def opened(shelf):
    return shelf.opened("people")


def filled(app, name, subject, roles, numbers=""):
    """The form, filled in and sent."""
    fields = {field.label: field for field in app.text_input}
    fields["Name"].set_value(name)
    fields["E-mail, or subject of the sign-in"].set_value(subject)
    fields["Crew numbers"].set_value(numbers)
    app.multiselect[0].set_value(roles)
    next(button for button in app.button if button.label == "Add").click()
    return app.run()


def test_somebody_is_added_and_ended(own):
    app = filled(opened(own), "M. Ortiz", "M.Ortiz@example.org", ["reviewer", "administrator"])
    assert not app.exception
    app = filled(app, "J. Weller", "sub-7", ["crew"], " C-17, C-18")
    assert list(app.dataframe[0].value["name"]) == ["J. Weller", "M. Ortiz"]
    assert list(app.dataframe[0].value["crew number"]) == ["C-17, C-18", ""]
    app.selectbox(key="end-whose").set_value("sub-7").run()
    app.button(key="end").click()
    app.run()
    assert [(one.name, one.ended_by) for one in own.library.people.all()] == [("M. Ortiz", ""), ("J. Weller", "tester")]
    assert app.dataframe[0].value["ended"].iloc[1].endswith("by tester")
    said = [line.what for line in own.library.log_lines(did="people changed")]
    assert said == [
        "removed; entry 2, J. Weller",
        "added, crew; entry 2, J. Weller",
        "added, administrator, reviewer; entry 1, M. Ortiz",
    ]
    assert list(app.dataframe[0].value["entry"]) == [1, 2]


def test_the_agency_of_a_crew_number_is_asked_for_and_said(own):
    own.library.people.add("sub-7", name="J. Weller", roles=["crew"], crew_ids=["C-17"], who="tests")
    app = opened(own)
    assert not app.warning
    own.bring(SAMPLES / "rv-2031-0118", agency="Gallows Hill Rescue")
    app.run()
    assert "Gallows Hill Rescue; Rillstone Valley EMS" in app.warning[0].value
    assert "J. Weller (C-17)" in app.warning[1].value
    app = filled(app, "P. Ash", "sub-8", ["crew"], "C-17")
    assert "say of which the crew numbers are" in words(app)
    app.selectbox(key="add-agency").set_value("Gallows Hill Rescue")
    app = filled(app, "P. Ash", "sub-8", ["crew"], "C-17")
    app.selectbox(key="bind-whose").set_value("sub-7")
    app.selectbox(key="bind-agency").set_value("Rillstone Valley EMS")
    next(button for button in app.button if button.label == "Keep the agency").click()
    app.run()
    assert not app.exception
    assert not app.warning
    kept = [(one.name, one.agency) for one in own.library.people.all() if one.ended_at is None]
    assert kept == [("J. Weller", "Rillstone Valley EMS"), ("P. Ash", "Gallows Hill Rescue")]
    assert list(app.dataframe[0].value["of agency"]) == ["Rillstone Valley EMS", "Gallows Hill Rescue", ""]


def test_what_cannot_be_is_said(own):
    app = filled(opened(own), "J. Weller", "sub-7", ["crew"])
    assert "number that care records know them by" in words(app)
    assert own.library.people.all() == []
    assert "quality improvement only" in words(app)


def test_where_roles_come_from_claims_it_is_said(own):
    (own.folder / "library.toml").write_text(
        '[sign_in]\nroles_claim = "groups"\n[sign_in.roles]\n"qi" = "reviewer"\n', encoding="utf-8"
    )
    assert "claim “groups”" in words(opened(own))


def test_settings_that_cannot_be_read_are_said(own):
    (own.folder / "library.toml").write_text("[sign_in]\nhours = 0\n", encoding="utf-8")
    assert "hours is 0" in words(opened(own))
