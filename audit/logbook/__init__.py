"""What is kept: sites, visits, photos, measurements, findings, decisions, signatures."""
