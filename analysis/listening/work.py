"""The slow work of this room."""

from analysis.jobs.kinds import does
from analysis.listening import preparing
from analysis.listening.planning import MAKE_COPY

does(MAKE_COPY)(preparing.make_copy)
