"""ISBT 128 scans, and the typed values that stand in for them."""

from service.scan.bag import Typed, read_bag
from service.scan.groups import group_of
from service.scan.isbt128 import check_character, division_of, read_scan
from service.scan.keyed import (
    TypedDin,
    read_expiry_text,
    read_group_text,
    read_product,
    read_typed_din,
)
from service.scan.values import ProductLabel, ScanResult

__all__ = [
    "ProductLabel",
    "ScanResult",
    "Typed",
    "TypedDin",
    "check_character",
    "division_of",
    "group_of",
    "read_bag",
    "read_expiry_text",
    "read_group_text",
    "read_product",
    "read_scan",
    "read_typed_din",
]
