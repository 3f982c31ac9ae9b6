"""Wind, direction of flight and airspeed scale from GNSS velocity, airspeed and turn rate."""
