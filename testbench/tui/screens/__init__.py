"""The screens, each with its stylesheet beside it."""
