package main

// The pattern of the module's values, as its head comment describes it: bits 23-20
// converter, 19-11 level of its tube, 10-5 check, 4-0 number of the conversion. It is
// written down twice, here and in module/emuboard.c, so that neither can be wrong
// unnoticed.

const (
	levels  = 1 << 9
	numbers = 1 << 5 // conversion numbers begin anew after this many

	// A step of a tube's level, in counts, and where level 0 stands, as the mean over
	// numbers and checks.
	levelCounts = 1 << 11
	zeroCounts  = levelCounts / 2

	// A step of converter k's level, while its tube fills, takes (fill + k) / 16 nominal periods.
	fill = 64
)

// patternCheck is the check of a converter, its level and a conversion number.
func patternCheck(converter, level, number uint32) uint32 {
	x := converter<<14 | level<<5 | number%numbers
	x = (x + 1) * 0x9E3779B1
	x ^= x >> 15
	x *= 0x85EBCA6B
	return x >> 26
}

// patternCode is the 24 bits that a converter offers.
func patternCode(converter, level, number uint32) uint32 {
	return converter<<20 | level<<11 | patternCheck(converter, level, number)<<5 | number%numbers
}

// decode returns the level and the conversion number in counts; ok is false if they
// are no value that the converter can have offered.
func decode(converter uint32, counts int32) (level, number uint32, ok bool) {
	code := uint32(counts) & 0xFFFFFF
	level, number = code>>11%levels, code%numbers
	return level, number, counts == signed(code) && code == patternCode(converter, level, number)
}

// signed is the number that 24 bits in two's complement are.
func signed(code uint32) int32 { return int32(code<<8) >> 8 }
