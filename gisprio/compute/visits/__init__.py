"""Visits: what was seen on the banks, beside what was modelled."""
