"""One bag: its key, its group and what its label may say instead of a group."""

from dataclasses import dataclass
from enum import StrEnum

UNIT_SYSTEM = "https://transfusion-events.example/fhir/sid/unit"
UNDIVIDED = "000000"


class Component(StrEnum):
    """The kinds of component that the rules tell apart."""

    RED_CELLS = "red_cells"
    PLATELETS = "platelets"
    PLASMA = "plasma"
    CRYOPRECIPITATE = "cryoprecipitate"
    WHOLE_BLOOD = "whole_blood"
    GRANULOCYTES = "granulocytes"


@dataclass(frozen=True, slots=True, order=True)
class UnitKey:
    """Donation identification number, product description code, six-character division."""

    din: str
    product: str
    division: str = UNDIVIDED

    @property
    def text(self) -> str:
        """``DIN/PDC/division``: the value of our logical unit identifier."""
        return f"{self.din}/{self.product}/{self.division}"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRef:
    """What somebody said about which unit is meant; any part may be missing.

    ``division`` None is unknown and equals nothing. ``resource`` is ``Type/id`` of our copy of the
    unit or issue that was referenced, ``collection`` the ISBT 128 collection type character.
    """

    din: str | None = None
    product: str | None = None
    division: str | None = None
    collection: str | None = None
    resource: str | None = None

    @property
    def key(self) -> UnitKey | None:
        """The unit's key, or None while a part of it is unknown."""
        if self.din and self.product and self.division:
            return UnitKey(self.din, self.product, self.division)
        return None


class LabelMessage(StrEnum):
    """ISBT 128 special messages in place of a blood group (ST-001 6.2.2, table 5)."""

    NO_INFORMATION = "no-information"
    AUTOLOGOUS = "autologous"
    BIOHAZARD = "biohazard"
    DISCARD = "discard"
    FRACTIONATION_ONLY = "fractionation-only"
    QUARANTINE = "quarantine"
    RESEARCH = "research"
    NOT_FOR_TRANSFUSION = "not-for-transfusion"


class Restriction(StrEnum):
    """Whom a unit is for, where its group code says more than the group (table 4)."""

    NONE = "none"
    DIRECTED = "directed"
    AUTOLOGOUS = "autologous"
    EMERGENCY = "emergency"


# ISBT 128 collection types that say for whom a unit is (ST-001 6.2.2, table 7; E from memory).
COLLECTED_FOR = {
    "A": Restriction.AUTOLOGOUS,  # eligible for crossover: the laboratory's decision, not ours
    "1": Restriction.AUTOLOGOUS,
    "X": Restriction.AUTOLOGOUS,  # and biohazardous
    "D": Restriction.DIRECTED,  # eligible for crossover, likewise
    "2": Restriction.DIRECTED,
    "4": Restriction.DIRECTED,
    "5": Restriction.DIRECTED,
    "E": Restriction.DIRECTED,
    "G": Restriction.EMERGENCY,
}
BIOHAZARDOUS = "X"


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """An ABO and RhD group.

    ``abo`` is O, A, B or AB, or None when unknown, pooled or of a rare type that no matrix covers.
    ``rhd`` is positive or negative, or None. ``message`` stands in place of a group. ``pooled``:
    the bag holds several ABO groups (ISBT 128 group codes E0, F0, G0, H0).
    """

    abo: str | None = None
    rhd: str | None = None
    pooled: bool = False
    restriction: Restriction = Restriction.NONE
    message: LabelMessage | None = None

    @property
    def text(self) -> str:
        """The trade's standard wording, e.g. ``A RhD positive``."""
        if self.message is not None:
            return self.message.value.replace("-", " ")
        parts = [self.abo or "group unknown", f"RhD {self.rhd}" if self.rhd else "RhD unknown"]
        return " ".join(parts)
