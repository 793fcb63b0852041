"""The one list of readers. Each has FORMAT, recognises(path), which goes by content, and read(path, about) -> parts."""

from qi.intake import dispatch_csv, edf, event_csv, nemsis, signal_parquet, signal_table, wfdb_record

READERS = (edf, signal_parquet, signal_table, event_csv, nemsis, dispatch_csv, wfdb_record)
