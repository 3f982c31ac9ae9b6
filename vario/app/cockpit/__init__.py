"""The live page: values that the tone does not convey, for a browser of a phone, a tablet or a small screen.

    the loop → Feed (feed.py, state.py) → socket that drops → server (a process of its own) → browsers

The server is a separate process with normal priority. The loop sends to it without waiting.
"""
