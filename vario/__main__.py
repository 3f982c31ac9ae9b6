"""`python -m vario` is `vario`."""

import sys

from vario.app.cli import main

sys.exit(main())
