"""Finding volunteers: one by code, many as a list, by name through keyed hashes."""

from collections.abc import Sequence
from datetime import date

from django.db.models import Count, IntegerField, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.http import Http404

from studylab import codes
from studylab.audit.history import STANDS
from studylab.participants.contact import box_open, search_keys
from studylab.participants.models import Consent, Contact, Hold, Participant, Person
from studylab.participants.rules.details import ContactDetails
from studylab.studies.models import Study

ON_HOLD = "on_hold"


def access_participant(study: Study, code: str) -> Participant:
    """Return the volunteer with this code in this study; case, spaces and hyphen do not count.

    Raises Http404 for "not there" and "of another study" alike; for a code that cannot exist it says why,
    which is read from the code itself.
    """
    problem = codes.explain(code, "participant")
    if problem:
        raise Http404(f"“{code[:20]}” is not a code: {problem}")
    found = (
        Participant.objects.select_related("study", "person")
        .filter(study=study, code=codes.normalise(code))
        .first()
    )
    if found is None:
        raise Http404("There is no volunteer with this code in this study.")
    return found


def contact_details(person: Person) -> ContactDetails | None:
    """Return a person's details, or None once they are erased. For services; people look via `contact_read`."""
    contact = Contact.objects.filter(person=person, erased_at=None).first()
    return box_open(bytes(contact.box), person.uid) if contact else None


def contact_details_of(people: Sequence[Person]) -> dict[int, ContactDetails]:
    """Return the details of many people by their id, in one query; whose details are erased is left out."""
    uids = {person.pk: person.uid for person in people}
    boxes = Contact.objects.filter(person__in=uids, erased_at=None)
    return {one.person_id: box_open(bytes(one.box), uids[one.person_id]) for one in boxes}


def birth_date(participant: Participant) -> date | None:
    """Return the birth date, or None once the contact details are erased."""
    details = contact_details(participant.person)
    return details.birth_date if details else None


def volunteers_of(study: Study, show: str = "") -> QuerySet[Participant]:
    """Return the study's volunteers, newest first, with what the list shows of each.

    `show` is a status, "on_hold", or "" for all. Adds `open_holds`, `study_consent_at` and
    `questions_consent_at` (instants or None).
    """
    people = Participant.objects.filter(study=study)
    if show in Participant.Status.values:
        people = people.filter(status=show)
    holds = (
        Hold.objects.filter(participant=OuterRef("pk"), released_at=None)
        .order_by().values("participant").annotate(n=Count("pk")).values("n")
    )  # fmt: skip
    people = people.annotate(
        open_holds=Coalesce(Subquery(holds, output_field=IntegerField()), 0),
        study_consent_at=_signed_at(Consent.Kind.STUDY),
        questions_consent_at=_signed_at(Consent.Kind.QUESTIONS),
    ).order_by("-added_at", "-serial")
    return people.filter(open_holds__gt=0) if show == ON_HOLD else people


def _signed_at(kind: str) -> Subquery:
    standing = Consent.objects.filter(STANDS, participant=OuterRef("pk"), kind=kind)
    return Subquery(standing.order_by("-signed_at").values("signed_at")[:1])


def find_volunteers(study: Study, text: str, *, by_contact: bool) -> QuerySet[Participant]:
    """Return the study's volunteers sought by code or the digits in it; with `by_contact` by name too.

    Names, e-mail addresses and phone numbers are found whole, never by a part: only keyed hashes of them
    are there to compare with.
    """
    condition = Q(pk__in=[])
    folded = codes.normalise(text).replace("-", "")
    if len(folded) >= 2:
        condition |= Q(code=codes.normalise(text)) | Q(code__contains=folded)
    for kind, digest in search_keys(text) if by_contact else []:
        condition |= Q(person__identity_keys__kind=kind, person__identity_keys__digest=digest)
    matching = Participant.objects.filter(study=study).filter(condition).values("pk")
    return volunteers_of(study).filter(pk__in=matching)
