"""The record: one specimen's whole evidence in a folder."""
