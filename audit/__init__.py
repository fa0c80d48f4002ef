"""photo-audit: a plan and the crew's photos in, measured findings and a signed record out."""

__version__ = "0.1.0"
