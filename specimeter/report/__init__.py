"""What a person reads: overlay, tables, HTML and PDF."""
