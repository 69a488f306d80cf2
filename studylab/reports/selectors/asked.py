"""What several parts of a front page ask of a study, asked once."""

from datetime import datetime
from functools import cached_property

from scheduling.selectors.today import ContactDue, contacts_due
from screening.selectors.lapsing import Lapsing, lapsing
from studylab.participants.models import AdverseEvent, Deviation
from studylab.participants.selectors.owed import Owed, owed_reports
from studylab.participants.selectors.told import people_not_told
from studylab.studies.models import Study


class Asked:
    """The answers of one study at one instant, each read when it is first wanted."""

    def __init__(self, study: Study, at: datetime) -> None:
        """Read nothing yet."""
        self.study, self.at = study, at

    @cached_property
    def contacts(self) -> list[ContactDue]:
        """Who was dosed and not reached since."""
        return contacts_due(self.study, self.at)

    @cached_property
    def lapsing(self) -> list[Lapsing]:
        """Whose sign-off runs out before the dose."""
        return lapsing(self.study, self.at)

    @cached_property
    def owed(self) -> list[Owed]:
        """Reports to send or to confirm."""
        return owed_reports(self.study, self.at)

    @cached_property
    def not_told(self) -> list[AdverseEvent | Deviation]:
        """What touched somebody who was not told yet."""
        return people_not_told(self.study)
