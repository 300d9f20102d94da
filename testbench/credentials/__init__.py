"""Secrets: hashes of PINs and passwords, and the pepper beside the database."""
