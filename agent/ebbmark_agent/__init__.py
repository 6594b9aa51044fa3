"""The agent: finds drives, waits for a moment that harms nobody, probes, reads health and reports."""
