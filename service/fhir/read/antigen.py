"""Red-cell antigens: trade names, and ISBT 128 codes of structure 030 (``pppppprrss``).

The first six digits name the antigen, the next two the result: 01 negative, 02 positive (inferred
from the five codes of HL7's unit example).
"""

from service.fhir.read.common import Reader
from service.fhir.read.datatypes import Json, text_of

ANTIGEN_SYSTEM = "https://www.isbt128.org/uri/RedCellAntigen"
RESULTS = {"01": False, "02": True}
ANTIGEN, RESULT, WHOLE = 6, 8, 10


def antigen_of(reader: Reader, coding: Json) -> str | None:
    """The antigen a coding names, as the trade writes it."""
    system = reader.codes.system(text_of(coding, "system"))
    code = text_of(coding, "code") or ""
    if system == ANTIGEN_SYSTEM:
        code = code[:ANTIGEN]
    return reader.codes.word("antigens", system, code)


def typed_antigen(reader: Reader, coding: Json) -> tuple[str, bool] | None:
    """An antigen and whether the cells carry it; None where the coding tells no result."""
    code = text_of(coding, "code") or ""
    antigen = antigen_of(reader, coding)
    if reader.codes.system(text_of(coding, "system")) != ANTIGEN_SYSTEM or len(code) != WHOLE:
        return None
    present = RESULTS.get(code[ANTIGEN:RESULT])
    return (antigen, present) if antigen and present is not None else None
