"""Reading and writing what people edit by hand: places in a file, described fields, whole or nothing."""
