"""The program's version, kept in step with pyproject.toml by a test."""

__version__ = "0.1.0"
