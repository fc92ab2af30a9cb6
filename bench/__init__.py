"""Speed as ratios against a named peer in the same run; never part of the tests."""

import os

# Threads of OpenMP that wait for others sleep rather than spin: another's work on the machine then slows ours and a
# peer alike. Read by OpenMP when it is loaded, so set before anything else.
os.environ.setdefault("OMP_WAIT_POLICY", "passive")
