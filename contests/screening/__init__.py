"""Look for copies, wrong speeds and the like among the entries of a closed contest. The host decides."""
