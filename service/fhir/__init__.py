"""FHIR is known only here: resources in, facts out; decisions in, resources out. Pure; only sites.py reads files."""
