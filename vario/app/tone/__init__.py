"""Play and draw the tone without a flight."""
