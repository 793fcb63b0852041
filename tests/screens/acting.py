"""What a browser does and AppTest does not by itself: a cell edited, a choice made on the waveforms, another page opened."""

import json

from qi.screens import waveform


def edit(app, key, rows):
    """Edit cells of a table as the browser tells it, so that its callback is called; rows, by number of the row."""
    table = next(one for one in app.data_editor if one.key == key)
    states = app._tree.get_widget_states()
    told = states.widgets.add()
    told.id = table.proto.id
    told.string_value = json.dumps({"edited_rows": rows, "added_rows": [], "deleted_rows": []})
    return app._run(states)


def choose(app, key, *rows):
    """Choose rows of a table as the browser tells it, so that its callback is called."""
    table = next(one for one in app.dataframe if one.key == key)
    states = app._tree.get_widget_states()
    told = states.widgets.add()
    told.id = table.proto.id
    told.string_value = json.dumps(chosen(rows))
    return app._run(states)


def chosen(rows):
    """The state of a table in which rows are chosen."""
    return {"selection": {"rows": list(rows), "columns": [], "cells": []}}


def pointing(monkeypatch, *choices):
    """Let the close-up tell these choices, one a run, and nothing after."""
    told = iter([waveform.Choice(**choice) for choice in choices])
    monkeypatch.setattr(waveform, "show_close_up", lambda *_, **__: next(told, waveform.Choice()))


def to_page(app, name):
    """The app, opened from app.py, on another of its pages."""
    app._page_hash = next(key for key, page in app._registered_pages.items() if page["url_pathname"] == name)
    return app.run()


def named(elements, name):
    """The one field, button or table of a page about a case that has this name, whatever else its key names."""
    (found,) = [one for one in elements if name_in(one) == name]
    return found


def names(elements):
    """The names of fields or buttons of a page about a case."""
    return {name_in(one) for one in elements}


def name_in(element):
    return (element.key or "").partition("@")[0]
