"""The sound to be played: the tone command and the cues."""
