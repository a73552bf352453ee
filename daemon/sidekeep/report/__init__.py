"""What a person reads about a job."""
