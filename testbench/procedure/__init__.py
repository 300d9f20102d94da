"""What a test demands of a valve, each number with its source."""
