"""The page of the log, on a log whose end was lost."""


def test_a_lost_end_is_said_each_time_until_it_is_accepted_and_that_is_said_too(own):
    own.library.log("opened", who="R. Adeyemi")
    (own.library.folder / "log.end").unlink()
    for said in ("log.end is not there", "Where the log ended before line 3 is not known", "Where the log ended before line 3"):
        app = own.opened("log_page")
        app.button(key="log-verify").click().run()
        assert app.error[0].value.startswith(said)
        assert not app.success
    own.library.accept_log_end("file lost", who="J. Weller")
    app = own.opened("log_page")
    app.button(key="log-verify").click().run()
    assert not app.error
    assert [one.value for one in app.success] == ["All 6 lines are as they were written."]
    assert any("J. Weller took the log as it ended then (file lost)" in one.value for one in app.caption)
