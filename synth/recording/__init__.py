"""What a recording of the test piece tells: partials, their match with the model, corrections."""
