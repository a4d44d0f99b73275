"""The bench: specimeter in a napari window. It shows, asks and hands on; every number comes from the core."""
