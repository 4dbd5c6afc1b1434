"""The practice log, the week sheet and what was reached."""

from companion.record.index import Wanted, summaries, survey
from companion.record.log import Sitting, read_log, read_take
from companion.record.model import Log, NoteRecord, Survey, TakeRecord, TakeSummary, normal_bars
from companion.record.take import finished_take_record, take_record

__all__ = [
    "Log", "NoteRecord", "Sitting", "Survey", "TakeRecord", "TakeSummary", "Wanted",
    "finished_take_record", "normal_bars", "read_log", "read_take", "summaries", "survey", "take_record",
]  # fmt: skip
