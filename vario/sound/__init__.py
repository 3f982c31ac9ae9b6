"""From tone commands to PCM."""
