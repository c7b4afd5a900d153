"""What holds for all tests: nobody's own defaults change what a test sees."""

import os

os.environ["VOLEST_SETTINGS"] = ""  # for programs that a test starts too
