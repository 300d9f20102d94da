"""The operator's screen: shows and asks, decides nothing."""
