"""YAML documents in which every value knows the line it is on; the only package that knows the parser."""

from __future__ import annotations

from roomplan.documents.extends import read_extended
from roomplan.documents.places import KeyPath, PlaceMap
from roomplan.documents.source import Document, read_document
from roomplan.documents.suggest import did_you_mean
from roomplan.documents.wording import describe, quoted

__all__ = [
    "Document",
    "KeyPath",
    "PlaceMap",
    "describe",
    "did_you_mean",
    "quoted",
    "read_document",
    "read_extended",
]
