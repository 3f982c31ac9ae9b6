"""Cruise: netto, expected climb, speed to fly, turbulence, glide to the goal."""
