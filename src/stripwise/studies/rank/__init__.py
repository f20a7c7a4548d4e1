"""Ranking what drives the answer: indices at every age, reliability methods, worth of measuring."""
