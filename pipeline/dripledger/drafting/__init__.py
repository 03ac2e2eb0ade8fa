"""Drafting: a first mapping for an export that nobody has described, and a dry run of any mapping."""
