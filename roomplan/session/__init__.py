"""A plan resolved against its files: stems, rooms, components, buses, and the files they go to."""
