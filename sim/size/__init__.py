"""What a choice of parts gives, before anything is printed."""
