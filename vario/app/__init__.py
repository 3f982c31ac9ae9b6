"""The application around the flight logic: command line, replay, pictures, benchmarks."""
