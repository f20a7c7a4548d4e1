"""Constants from standards, guidelines and textbooks, with their sources."""

from stripwise.published.library import MARKS, Published, constant, keys, value

__all__ = ["MARKS", "Published", "constant", "keys", "value"]
