"""Columns that only written tables have: measures, arrest spans, clocks, corrections, whose a row is and who told it."""

from collections.abc import Mapping

from qi.model.tables import Column

WHOSE = (
    Column("case", "text", "", "id of the case", may_lack=False),
    Column("protocol", "text", "", "protocol in force, which holds the limits", may_lack=False),
    Column("protocol_chosen_by", "text", "", "who or what chose the protocol", may_lack=False),
)
MEASURES = (
    Column("id", "text", "", "measure; the rows of this codebook for measures say what each is", may_lack=False),
    Column("label", "text", "", "measure in words, with what tells several answers apart", may_lack=False),
    Column("of", "text", "", "which of several answers of one measure: a phase, a device, a cause, a minute from 1"),
    Column("from", "text", "", "zero point, where there are several"),
    Column("value", "float", "see unit", "answer; missing where the case cannot show it, and reason says why"),
    Column("unit", "text", "", "unit of value, low, high and error; 1 is a share from 0 to 1", may_lack=False),
    Column("low", "float", "see unit", "lowest that value can be, whatever happened in time that was not recorded"),
    Column("high", "float", "see unit", "highest that value can be, whatever happened in time that was not recorded"),
    Column("error", "float", "see unit", "half-width of what detection or clocks may be off by"),
    Column("n", "float", "", "how many moments or stretches the value came from"),
    Column("coverage", "float", "1", "known share of the time or moments asked about, from 0 to 1"),
    Column("status", "text", "", "for the time to a device: whether it was ever applied"),
    Column("verdict", "text", "", "value against limit; no verdict is counted either way", may_lack=False),
    Column("limit", "text", "see unit", "what the protocol asks for at least or at most"),
    Column("limit_source", "text", "", "who set the limit"),
    Column("goal", "text", "see unit", "tighter aim of the protocol"),
    Column("goal_verdict", "text", "", "value against goal"),
    Column("reason", "text", "", "why there is no value, or what would have shown it"),
    Column("remark", "text", "", "what to know when reading the value"),
)
ARREST = (
    Column("start_s", "float", "s", "from", may_lack=False),
    Column("end_s", "float", "s", "to", may_lack=False),
    Column("state", "text", "", "arrest, or circulation as charted", may_lack=False),
    Column("rules", "text", "", "rule that set the start; rule that set the end"),
)
CLOCKS = (
    Column("clock", "text", "", "clock of one or more files", may_lack=False),
    Column("offset_s", "float", "s", "added to the clock to reach the reference clock", may_lack=False),
    Column("uncertainty_s", "float", "s", "half-width of what the offset may be off by; missing where it is not placed"),
    Column("method", "text", "", "where the offset came from", may_lack=False),
    Column("placed", "flag", "", "whether its times have a place among those of the other clocks", may_lack=False),
)
CORRECTIONS = (
    Column("number", "float", "", "number of the line in the case's journal"),
    Column("action", "text", "", "what the reviewer did", may_lack=False),
    Column("subject", "text", "", "to what", may_lack=False),
    Column("start_s", "float", "s", "where it is, or shall be"),
    Column("end_s", "float", "s", "where it ends; missing for a single moment"),
    Column("to_start_s", "float", "s", "where it was moved to"),
    Column("to_end_s", "float", "s", "where its end was moved to"),
    Column("value", "text", "", "new value"),
    Column("dose", "float", "see unit", "new amount of a drug"),
    Column("unit", "text", "", "unit of the dose or the value"),
    Column("type", "text", "", "new event type"),
    Column("sensor", "text", "", "signal that an artefact is on; missing for all of them"),
    Column("why", "text", "", "the reviewer's reason"),
)
_FOUND = Column("told_by", "text", "", "machine where a detector found it, reviewer where a person put it there", may_lack=False)
_CHARTED = Column("told_by", "text", "", "file where a file charts it, reviewer where a person put it there", may_lack=False)
WITH_TELLER: Mapping[str, Column] = {
    **dict.fromkeys(("compressions", "ventilations", "arrest"), _FOUND),
    "shocks": Column(
        "told_by",
        "text",
        "",
        "file where a file charts it, machine where the signals show it, reviewer where a person put it there",
    ),
    **dict.fromkeys(("events", "devices", "vitals"), _CHARTED),
}
