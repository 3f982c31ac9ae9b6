"""What is to be heard: the tone command and the cues."""
