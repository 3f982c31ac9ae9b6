"""Shared parts: low pass, state tables, rotations, distances, polar, innovations, doubts about a sensor."""
