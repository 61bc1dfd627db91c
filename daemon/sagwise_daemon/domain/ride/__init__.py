"""A ride: where it begins and ends (bounds), and its running totals (summary)."""
