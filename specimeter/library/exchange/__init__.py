"""Outlines out of the library and into it, in open formats that are not ours: COCO JSON, label masks, GeoJSON, BagIt."""
