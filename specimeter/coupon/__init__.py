"""The coupon: the test piece from which several specimens were cut; its outcome is over all of them."""
