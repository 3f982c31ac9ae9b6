"""Results for other tools: tables, FAI/IGC flight files and NMEA 0183 sentences."""
