"""Coded elements that a rule relies on: the word, nothing, or said and not recognised.

An unknown code reads neither as the good word nor as nothing said: it becomes a word of its own,
which no rule takes for an answer.
"""

from service.facts.records import UNRECOGNISED
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import Json, wording


def told(reader: Reader, concept: str, codeable: Json, path: str) -> str | None:
    """The word of a CodeableConcept; None where nothing was said.

    A code without a word, and codings that contradict each other, are ``unrecognised`` and warned
    of.
    """
    word = reader.word(concept, codeable, path)
    if word is None and wording(codeable):
        reader.unknown(concept, codeable, path)
        return UNRECOGNISED
    return word


def unread(text: str | None) -> str:
    """A text that has no word, kept beside the words so that nothing is taken to meet it."""
    return f"{UNRECOGNISED}: {text}" if text else UNRECOGNISED


def is_unread(word: str) -> bool:
    """True for a word that stands for something that was not recognised."""
    return word.startswith(UNRECOGNISED)
