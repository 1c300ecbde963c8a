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
DROPPED_ZERO = Person(
    number="0051655",
    family="Pettifold",
    given="Hesper",
    born="1966-02-08",
    gender="female",
    sample="HV27-20220",
    group="A RhD positive",
)
OLD_SAMPLE = Person(
    number="0051662",
    family="Gorsewell",
    given="Amias",
    born="1951-12-01",
    gender="male",
    sample="HV27-20228",
    group="O RhD positive",
)
AWAY = Person(
    number="0051678",
    family="Thistlebrook",
    given="Verity",
    born="1973-04-23",
    gender="female",
    sample="HV27-20231",
    group="A RhD positive",
)
ITCHING = Person(
    number="0051684",
    family="Larkenby",
    given="Osric",
    born="1986-08-15",
    gender="male",
    sample="HV27-20239",
    group="A RhD positive",
)
BREATHLESS = Person(
    number="0051691",
    family="Mossgrave",
    given="Edda",
    born="1944-01-30",
    gender="female",
    sample="HV27-20244",
    group="O RhD positive",
)
CHILD = Person(
    number="0051705",
    family="Whinfell",
    given="Pip",
    born="2019-11-12",
    gender="male",
    sample="HV27-20250",
    group="A RhD positive",
)
CHILLED = Person(
    number="0051712",
    family="Burrowmere",
    given="Leander",
    born="1970-06-06",
    gender="male",
    sample="HV27-20257",
    group="A RhD positive",
)
UNWATCHED = Person(
    number="0051729",
    family="Candlebeck",
    given="Rosamund",
    born="1959-09-19",
    gender="female",
    sample="HV27-20263",
    group="A RhD positive",
)
THREE_UNITS = Person(
    number="0051736",
    family="Oakenshade",
    given="Barnaby",
    born="1950-03-04",
    gender="male",
    sample="HV27-20268",
    group="A RhD positive",
)
UNIDENTIFIED = Person(
    number="0000417",
    family="Adder",
    given="Unknown",
    born="",
    gender="male",
    sample="",
    group="",
    temporary=True,
)
KNOWN = Person(
    number="0051743",
    family="Fallowmere",
    given="Jory",
    born="1998-10-27",
    gender="male",
    sample="HV27-20275",
    group="A RhD positive",
)
REFUSING = Person(
    number="0051750",
    family="Elderthwaite",
    given="Prudence",
    born="1957-05-16",
    gender="female",
    sample="HV27-20281",
    group="A RhD positive",
)
UNCONSCIOUS = Person(
    number="0051767",
    family="Quernstead",
    given="Alaric",
    born="1948-12-09",
    gender="male",
    sample="HV27-20287",
    group="A RhD positive",
)
MOVED = Person(
    number="0051774",
    family="Sedgewarren",
    given="Minna",
    born="1962-07-21",
    gender="female",
    sample="HV27-20294",
    group="O RhD positive",
)
LOST_ACCESS = Person(
    number="0051781",
    family="Duskerley",
    given="Rafe",
    born="1939-11-11",
    gender="male",
    sample="HV27-20300",
    group="A RhD positive",
)
UNEASY = Person(
    number="0051798",
    family="Wimberlow",
    given="Thea",
    born="1975-10-02",
    gender="female",
    sample="HV27-20306",
    group="A RhD positive",
)
ON_PAPER = Person(
    number="0051801",
    family="Copperwick",
    given="Jasper",
    born="1953-02-14",
    gender="male",
    sample="HV27-20311",
    group="A RhD positive",
)
SHUFFLED = Person(
    number="0051818",
    family="Rushenbeck",
    given="Delphine",
    born="1967-01-25",
    gender="female",
    sample="HV27-20319",
    group="A RhD positive",
)
RECALLED = Person(
    number="0051825",
    family="Stavelock",
    given="Corwin",
    born="1946-04-30",
    gender="male",
    sample="HV27-20324",
    group="A RhD positive",
)
TWICE_ORDERED = Person(
    number="0051832",
    family="Amberhythe",
    given="Nell",
    born="1988-06-17",
    gender="female",
    sample="HV27-20330",
    group="A RhD positive",
)
CORRECTING = Person(
    number="0051849",
    family="Tarnwhistle",
    given="Gideon",
    born="1956-08-03",
    gender="male",
    sample="HV27-20336",
    group="A RhD positive",
)
UNTAKEN = Person(
    number="0051856",
    family="Pellowmere",
    given="Ines",
    born="1964-03-28",
    gender="female",
    sample="HV27-20342",
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
    DROPPED_ZERO,
    OLD_SAMPLE,
    AWAY,
    ITCHING,
    BREATHLESS,
    CHILD,
    CHILLED,
    UNWATCHED,
    THREE_UNITS,
    UNIDENTIFIED,
    KNOWN,
    REFUSING,
    UNCONSCIOUS,
    MOVED,
    LOST_ACCESS,
    UNEASY,
    ON_PAPER,
    SHUFFLED,
    RECALLED,
    TWICE_ORDERED,
    CORRECTING,
    UNTAKEN,
)


def bag(place: int, group: str, expires: str = "2027-07-06T23:59", product: str = "E0398") -> Bag:
    """The n-th bag of the day."""
    return Bag(
        din=f"A999927{104100 + place}",
        group=group,
        expires=expires,
        product=product,
        issue=f"IS-{7700 + place}",
    )
