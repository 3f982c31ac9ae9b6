"""NMEA 0183 sentences to other devices."""
