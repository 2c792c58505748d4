"""The whole site in one file, and a site from such a file."""
