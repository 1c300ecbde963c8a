"""The invented patients and bags of the scenarios."""

from tests.support.authoring.words import Bag, Person

TWO_UNITS = Person(
    number="0051120",
    family="Fenwhistle",
    given="Odile",
    born="1958-11-03",
    gender="female",
    sample="HV27-20117",
    group="A RhD positive",
)
BANDED = Person(
    number="0051207",
    family="Quillstone",
    given="Anselm",
    born="1949-02-26",
    gender="male",
    sample="HV27-20125",
    group="O RhD positive",
)
NEIGHBOUR = Person(
    number="0051270",
    family="Quillstane",
    given="Ansel",
    born="1949-02-21",
    gender="male",
    sample="HV27-20126",
    group="A RhD positive",
)
MISMATCHED = Person(
    number="0051316",
    family="Orrinfield",
    given="Maude",
    born="1971-07-19",
    gender="female",
    sample="HV27-20140",
    group="O RhD positive",
)
STALE = Person(
    number="0051344",
    family="Tamblewick",
    given="Corin",
    born="1963-05-30",
    gender="male",
    sample="HV27-20152",
    group="A RhD positive",
)
REQUIRING = Person(
    number="0051388",
    family="Havenmoor",
    given="Isolde",
    born="1994-09-08",
    gender="female",
    sample="HV27-20166",
    group="A RhD positive",
)
FEBRILE = Person(
    number="0051429",
    family="Drummelby",
    given="Perrin",
    born="1955-01-14",
    gender="male",
    sample="HV27-20171",
    group="A RhD positive",
)
MISTYPED = Person(
    number="0051463",
    family="Saltmarrow",
    given="Linnet",
    born="1980-12-22",
    gender="female",
    sample="HV27-20188",
    group="O RhD positive",
)
SLOW = Person(
    number="0051502",
    family="Wrackley",
    given="Tobiah",
    born="1947-10-05",
    gender="male",
    sample="HV27-20193",
    group="A RhD positive",
)
UNCHECKED = Person(
    number="0051547",
    family="Ostlerhythe",
    given="Bryony",
    born="1968-03-17",
    gender="female",
    sample="HV27-20201",
    group="A RhD positive",
)
INTENDED = Person(
    number="0051590",
    family="Cobbleford",
    given="Edric",
    born="1952-06-11",
    gender="male",
    sample="HV27-20214",
    group="A RhD positive",
)
UNINTENDED = Person(
    number="0051593",
    family="Marchpool",
    given="Sunniva",
    born="1960-08-29",
    gender="female",
    sample="HV27-20215",
    group="A RhD positive",
)
PEOPLE = (
    TWO_UNITS,
    BANDED,
    NEIGHBOUR,
    MISMATCHED,
    STALE,
    REQUIRING,
    FEBRILE,
    MISTYPED,
    SLOW,
    UNCHECKED,
    INTENDED,
    UNINTENDED,
)


def bag(place: int, group: str, expires: str = "2027-07-06T23:59") -> Bag:
    """The n-th bag of the day."""
    return Bag(
        din=f"A999927{104100 + place}", group=group, expires=expires, issue=f"IS-{7700 + place}"
    )
