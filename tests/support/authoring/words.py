"""The pieces that resources are made of, and the invented world they speak of.

Harrow Vale Hospital, its people and its numbers are invented; A9999 is the facility number of
published ISBT 128 examples, and every donation number here is built on it.
"""

from dataclasses import dataclass
from datetime import datetime

from service.generate.words import CROSS as CROSS
from service.generate.words import GROUPS as GROUPS
from service.generate.words import HOSPITAL as HOSPITAL
from service.generate.words import ISBT as ISBT
from service.generate.words import LOINC as LOINC
from service.generate.words import OWN as OWN
from service.generate.words import RELEASES as RELEASES
from service.generate.words import SNOMED as SNOMED
from service.generate.words import UCUM as UCUM
from service.generate.words import ZONE as ZONE
from service.generate.words import Json as Json
from service.generate.words import Worker as Worker
from service.generate.words import amount as amount
from service.generate.words import concept as concept
from service.generate.words import crossed as crossed
from service.generate.words import first_identifier as first_identifier
from service.generate.words import named as named
from service.generate.words import number as number
from service.generate.words import of_worker as of_worker
from service.generate.words import ours as ours
from service.generate.words import own as own
from service.generate.words import urn as urn
from service.scan.isbt128 import check_character

Both = dict[str, Json]  # release -> the resource in that release

DAY = "2027-06-08"


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """An invented patient."""

    number: str
    family: str
    given: str
    born: str
    gender: str
    sample: str  # number of the sample that the blood bank holds
    group: str
    temporary: bool = False  # the number is that of somebody unidentified


@dataclass(frozen=True, slots=True, kw_only=True)
class Bag:
    """An invented unit of red cells. expires: local time."""

    din: str
    group: str
    expires: str = "2027-07-06T23:59"
    product: str = "E0398"
    issue: str = ""

    @property
    def sid(self) -> str:
        """The unit in our own identifier system."""
        return f"{self.din}/{self.product}/000000"

    @property
    def scans(self) -> tuple[str, str, str, str]:
        """What a scanner reads from the bag: donation, product, group, expiry."""
        code, _, _ = GROUPS[self.group]
        when = datetime.fromisoformat(self.expires)
        return (
            f"={self.din}00",
            f"=<{self.product}V00",
            f"=%{code}00",
            f"&>0{when:%y%j%H%M}",
        )

    @property
    def printed(self) -> str:
        """The donation number as printed, with its check character."""
        return f"{self.din}{check_character(self.din)}"


PEMBER = Worker(number="S-2231", name="H. Pemberly, nurse")
LARK = Worker(number="S-2274", name="T. Larkspire, nurse")
VANE = Worker(number="S-0417", name="Dr O. Vanewright")
MARL = Worker(number="L-0052", name="J. Marlowick, biomedical scientist")


def same(resource: Json) -> Both:
    """A resource that is written alike in both releases."""
    return dict.fromkeys(RELEASES, resource)


def at(clock: str, day: str = DAY) -> str:
    """A time of the day on the hospital's clock, ``09:15`` or ``09:15:30``, with its offset."""
    full = clock if clock.count(":") > 1 else f"{clock}:00"
    return datetime.fromisoformat(f"{day}T{full}").replace(tzinfo=ZONE).isoformat()


def instant(local: str) -> str:
    """A local date and time with its offset."""
    return at(local.partition("T")[2], local.partition("T")[0])


def of_person(person: Person) -> Json:
    """A reference to a patient by number."""
    return named("Patient", number("patient", person.number))


def ward(name: str = "Larch") -> Json:
    """A reference to a ward."""
    return named("Location", number("location", name.lower()), f"Ward {name}")


def stamped(both: Both, clock: str) -> Both:
    """A resource with its sender's own time of this version."""
    return {
        release: resource | {"meta": resource.get("meta", {}) | {"lastUpdated": at(clock)}}
        for release, resource in both.items()
    }
