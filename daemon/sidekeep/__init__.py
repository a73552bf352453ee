"""Sidekeep: from the recording of a record side to a filed, verified set of tracks."""

__version__ = "0.1.0"
