"""The six pages of the bench, one for each step of the job."""
