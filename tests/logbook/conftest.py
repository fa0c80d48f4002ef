"""Real servers and places for tests of the logbook."""

from tests.servers import memory_path, place, postgres_server, postgres_url, s3_server, s3_url

__all__ = ["memory_path", "place", "postgres_server", "postgres_url", "s3_server", "s3_url"]
