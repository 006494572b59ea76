"""`python -m monitor` is `inchwatch`."""

import sys

from monitor.cli import main

sys.exit(main())
