"""Make `python -m vario` the same as the command `vario`."""

import sys

from vario.app.cli import main

sys.exit(main())
