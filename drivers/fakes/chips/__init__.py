"""The fake chips, by kind. A class names the chips that it imitates in `STANDS_FOR`."""
