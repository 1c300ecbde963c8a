"""Seeded synthetic traffic of an invented hospital, as FHIR messages in both releases."""
