"""Replay a recording: the player, the session around it, and the files that it writes."""
