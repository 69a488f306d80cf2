"""Writing: answers, vital sets, assessments, sign-offs, and the allocation number that follows them."""

from screening.services.answers import answers_record
from screening.services.assessment import assessment_refresh
from screening.services.check_records import check_record, ecg_read, timing_start
from screening.services.numbers import number_issue
from screening.services.sign_off import sign_off_give
from screening.services.vitals import vitals_record

__all__ = [
    "answers_record",
    "assessment_refresh",
    "check_record",
    "ecg_read",
    "number_issue",
    "sign_off_give",
    "timing_start",
    "vitals_record",
]
