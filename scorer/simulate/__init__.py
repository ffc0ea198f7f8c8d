"""Drawn trays whose truth is known: fruit, marks, look-alikes, light and phone, all from one seed."""

from scorer.simulate.render import simulate_tray
from scorer.simulate.settings import FLOORS, LIGHTS, LOOKS, MARK_KINDS, TraySettings
from scorer.simulate.truth import PhotoFile, SimulatedTray, write_tray

__all__ = [
    "FLOORS",
    "LIGHTS",
    "LOOKS",
    "MARK_KINDS",
    "PhotoFile",
    "SimulatedTray",
    "TraySettings",
    "simulate_tray",
    "write_tray",
]
