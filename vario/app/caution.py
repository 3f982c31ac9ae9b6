"""The caution that every program for flying or judging a flight prints."""

CAUTION = (
    "Not certified and not a primary instrument. Look out; the flight manual and local rules come first."
)
