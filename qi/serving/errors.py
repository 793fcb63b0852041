"""Errors that nobody expected: in the log by kind and place, never by words, since words may hold what a case holds."""

import logging
import traceback

STREAMLITS = "streamlit.error_util"  # the logger by which Streamlit tells errors of a page


def said(error: BaseException) -> str:
    """An error without its words: its kind, and the lines of the program that led to it."""
    places = traceback.extract_tb(error.__traceback__)
    led = " < ".join(f"{place.filename}:{place.lineno} {place.name}" for place in reversed(places))
    inner = error.__cause__ or error.__context__
    return f"{type(error).__name__} at {led or 'no known place'}" + (f"; after {said(inner)}" if inner else "")


class WithoutWords(logging.Filter):
    """Takes the words of an error out of a line of the log."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Let every line through, an error's without its words."""
        error = record.exc_info[1] if isinstance(record.exc_info, tuple) else None
        if error is not None:
            record.msg, record.args = "%s: %s", (record.msg, said(error))
            record.exc_info = record.exc_text = None
        return True


def watch() -> None:
    """From now on, keep the words of errors out of the log."""
    logging.getLogger(STREAMLITS).addFilter(WithoutWords())
