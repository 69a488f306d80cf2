"""Consents of one volunteer: what is on record, adding one, correcting one."""

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires
from studylab.errors import Conflict
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.forms.consents import AgreementForm, ConsentCorrectForm, ConsentForm
from studylab.participants.models import Consent, Participant
from studylab.participants.selectors import (
    access_participant,
    agreed_to_questions,
    consent_entries,
    current_consent,
)
from studylab.participants.services import consent_correct, consent_record
from studylab.studies.selectors import current_protocol


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def consents(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show every consent entry with its times, its gaps and its corrections."""
    participant = access_participant(request.study, code)
    version = current_protocol(request.study).plan.consent_version
    standing = current_consent(participant, Consent.Kind.STUDY)
    context = {
        "participant": participant,
        "entries": consent_entries(participant),
        "version": version,
        "wanted": standing is None or standing.version != version,
        "agreed": agreed_to_questions(participant),
    }
    return render(request, "participants/consents.html", context)


@requires(Cap.CONSENT_RECORD)
@require_http_methods(["GET", "POST"])
def consent_add(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record the informed consent given on paper."""
    participant = access_participant(request.study, code)
    version = current_protocol(request.study).plan.consent_version
    form = ConsentForm(posted(request), version=version)

    def write() -> Consent:
        cleaned = form.cleaned_data
        return consent_record(
            participant=participant,
            kind=Consent.Kind.STUDY,
            version=cleaned["version"],
            method=Consent.Method.PAPER,
            signed_at=cleaned["signed_at"],
            written_on=cleaned["written_on"],
            staff_signed_at=cleaned["staff_signed_at"],
            actor=request.actor,
        )

    def done(made: Consent) -> str:
        entry = next(one for one in consent_entries(participant) if one.consent == made)
        for note in entry.notes:  # what a reader will notice, the one who recorded it notices first
            messages.warning(request, note)
        return reverse("volunteer", args=[study, code])

    return answer_form(
        request, form=form, template="participants/consent_add.html", write=write,
        done=done, message="Consent recorded.",
        context={"participant": participant, "standing": current_consent(participant, Consent.Kind.STUDY),
                 "version": version},
    )  # fmt: skip


@requires(Cap.CONSENT_RECORD)
@require_http_methods(["GET", "POST"])
def consent_agreement(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record that somebody who is on record already agreed to be asked health questions."""
    participant = access_participant(request.study, code)
    version = current_protocol(request.study).plan.consent_version
    form = AgreementForm(posted(request), version=version)
    return answer_form(
        request, form=form, template="participants/agreement_add.html",
        write=lambda: consent_record(
            participant=participant, kind=Consent.Kind.QUESTIONS, version=form.cleaned_data["version"],
            method=form.cleaned_data["method"], signed_at=form.cleaned_data["signed_at"],
            actor=request.actor,
        ),
        done=lambda _: reverse("volunteer", args=[study, code]), message="Agreement recorded.",
        context={"participant": participant, "version": version, "agreed": agreed_to_questions(participant)},
    )  # fmt: skip


@requires(Cap.CONSENT_RECORD)
@require_http_methods(["GET", "POST"])
def consent_correct_view(
    request: StaffRequest, study: str, code: str, kind: str = Consent.Kind.STUDY
) -> HttpResponse:
    """Correct the standing consent of a kind; the entry looked at must still be the newest."""
    participant = access_participant(request.study, code)
    consent = current_consent(participant, kind)
    if consent is None:
        raise Http404("There is no consent of this kind to correct.")
    form = ConsentCorrectForm(posted(request), consent=consent)

    def write() -> Consent:
        if form.cleaned_data["seen"] != str(consent.pk):
            raise Conflict(
                "This consent was corrected meanwhile. Open the page again and look at it."
            )
        signed_at = form.time_of("signed_at")
        assert signed_at is not None, "the form asks for it"
        return consent_correct(
            consent=consent,
            signed_at=signed_at,
            written_on=form.cleaned_data["written_on"],
            staff_signed_at=form.time_of("staff_signed_at"),
            reason=form.cleaned_data["reason"],
            actor=request.actor,
        )

    return answer_form(
        request, form=form, template="participants/consent_correct.html", write=write,
        done=lambda _: _address(request, participant),
        message="Corrected. The old entry stays on record.",
        context={"participant": participant, "consent": consent},
    )  # fmt: skip


def _address(request: StaffRequest, participant: Participant) -> str:
    return reverse("consents", args=[request.study.slug, participant.code])
