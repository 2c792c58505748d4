"""The same code on real parts: a worker process, Redis, PostgreSQL, an S3 endpoint, a site that is served."""
