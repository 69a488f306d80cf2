"""What a later version of the program might bring: an app of tests with migrations behind those of the house."""
