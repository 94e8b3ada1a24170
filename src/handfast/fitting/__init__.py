"""From measurements to figures: what a servo, a joint and a bench really are, and how sure that is."""
