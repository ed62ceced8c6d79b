"""What a tool must make: drive train and catalogue of orders."""
