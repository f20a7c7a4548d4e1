"""Fitted families and what correlated readings are worth."""
