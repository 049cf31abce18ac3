"""Recordings over time whose truth is known: two hands turning a wheel, a finger moved, a force held."""
