"""Giving a case away and taking it back: FHIR, tables, record, journal."""
