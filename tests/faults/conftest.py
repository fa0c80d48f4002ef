"""Real servers and places for tests of faults."""

from tests.servers import place, postgres_server, postgres_url, s3_server, s3_url

__all__ = ["place", "postgres_server", "postgres_url", "s3_server", "s3_url"]
