"""Shared parts: low pass, state tables, vectors, distances, polar, innovations, doubts about a sensor."""
