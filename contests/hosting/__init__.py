"""The host's desk: run the timetable, open the judging, decide."""
