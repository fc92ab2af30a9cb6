"""Speed as ratios against a named peer in the same run; never part of the tests."""
