"""The page in a browser: it shows what the desk says and sends back what a person does; it computes nothing."""
