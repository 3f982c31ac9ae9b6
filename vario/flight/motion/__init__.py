"""How the glider moves: attitude, energy, turning, position in metres, flight mode."""
