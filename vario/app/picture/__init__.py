"""The picture of a flight, one page of plots."""
