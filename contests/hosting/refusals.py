"""The one refusal of the host's desk."""


class HostingRefused(Exception):
    """The host asked for something that cannot be done now; the sentence says why and what to do."""
