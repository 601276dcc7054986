"""The day before the day: level chains, cards, power and clocks, reckoned from the kit's profiles."""
