"""People, their roles and signatures; invitations; the lab's devices and who is signed in where."""

from studylab.people.models.access_review import AccessReview
from studylab.people.models.devices import Device, DeviceClock, DevicePage, SignIn
from studylab.people.models.first_run import FirstAccount, SetUpCode
from studylab.people.models.invitations import Invitation
from studylab.people.models.people import Membership, Signature, User, UserManager
from studylab.people.models.training import Training

__all__ = [
    "AccessReview",
    "Device",
    "DeviceClock",
    "DevicePage",
    "FirstAccount",
    "Invitation",
    "Membership",
    "SetUpCode",
    "SignIn",
    "Signature",
    "Training",
    "User",
    "UserManager",
]
