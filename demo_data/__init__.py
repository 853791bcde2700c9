"""The demonstration plant: an invented heat network, its simulator and the files it logged."""
