"""The chips made of software, by kind. A class names the chips that it stands for in `STANDS_FOR`."""
