"""Delivery: at least once, once in effect, in order per stream, to each partner on its own."""

from service.delivery.partner import Link, link_to
from service.delivery.worker import DeliveryWorker

__all__ = ["DeliveryWorker", "Link", "link_to"]
