"""Chloride maps of cut faces: paste told from aggregate, and what the paste holds by depth."""
