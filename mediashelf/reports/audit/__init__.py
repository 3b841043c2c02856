"""The audit's page."""
