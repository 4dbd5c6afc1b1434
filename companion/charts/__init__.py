"""Instruments: keys, fingers, holes, fingerings, read from one TOML file an instrument."""

from companion.charts.load import load, names
from companion.charts.model import Chart, Fingering, Hole, Key, OctaveKey, ThirdRegister, note_name

__all__ = ["Chart", "Fingering", "Hole", "Key", "OctaveKey", "ThirdRegister", "load", "names", "note_name"]
