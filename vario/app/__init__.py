"""The application around the flight logic: command line, live loop, replay, pictures, exports."""
