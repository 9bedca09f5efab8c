"""The command line: one file a verb, in folders by what it is for."""
