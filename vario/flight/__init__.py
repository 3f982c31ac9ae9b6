"""The flight logic: pure and deterministic. Time is the samples'; nothing here touches a clock or a file."""
