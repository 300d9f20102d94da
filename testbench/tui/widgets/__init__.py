"""The parts of the screen. Each has one value to show and draws it; none of them takes a key."""
