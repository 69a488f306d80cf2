"""What a study document says about paying volunteers, besides the amount that stands at each visit."""

from dataclasses import dataclass

from studylab.studies.rules.reader import Table


@dataclass(frozen=True, slots=True)
class PaymentPlan:
    """`stopped_share`, from 0 to 1, of a visit's amount is paid when the volunteer ended the visit early.

    Left out it is 1: whoever came is paid for coming, so that stopping costs nothing (common practice of
    ethics committees). It never applies when the study, a physician or a gate ended the visit.
    """

    stopped_share: float = 1.0


def read_payments(document: Table) -> PaymentPlan:
    """Return the payments part; a document may leave it out."""
    if not document.has("payments"):
        return PaymentPlan()
    table, plain = document.table("payments"), PaymentPlan()
    found = PaymentPlan(
        stopped_share=table.number("stopped_share", low=0, high=1, default=plain.stopped_share)
    )
    table.close()
    return found
