"""Set a contest up: words, dates, delivery spec, rubric, sponsors, prizes; and change them in the open."""
