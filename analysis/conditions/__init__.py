"""What a drive was made with and in: setup, air, fuel, road load."""
