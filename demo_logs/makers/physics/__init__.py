"""Laws of motion, charge and heat of the makers' vehicles: numpy only, many vehicles in step, nothing of Herdbook."""
