"""The job."""
