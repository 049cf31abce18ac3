"""Models with a random intercept by adaptive quadrature: families, likelihood, maximum, inference, averages."""
