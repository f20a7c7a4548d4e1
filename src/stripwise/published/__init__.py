"""Constants from standards, guidelines and textbooks, with their sources."""

from stripwise.published.library import MARKS, PublishedValue, constant, keys, published_value

__all__ = ["MARKS", "PublishedValue", "constant", "keys", "published_value"]
