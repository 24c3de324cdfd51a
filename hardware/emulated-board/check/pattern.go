package main

// The pattern of the module's values, as its head comment describes it (bits 23-20
// converter, 19-8 number, 7-0 check). It is written down twice, here and in
// module/emuboard.c, so that neither can be wrong unnoticed.

const numbers = 1 << 12 // conversion numbers begin anew after this many

// patternCheck is the check of a converter and conversion number.
func patternCheck(converter, number uint32) uint32 {
	x := (converter<<12 | number%numbers) + 1
	x *= 0x9E3779B1
	x ^= x >> 15
	x *= 0x85EBCA6B
	return x >> 24
}

// patternCode is the 24 bits that a converter offers as its conversion of a number.
func patternCode(converter, number uint32) uint32 {
	return converter<<20 | number%numbers<<8 | patternCheck(converter, number)
}

// decode returns the conversion number in counts, and whether counts are a value
// that the converter can have offered.
func decode(converter uint32, counts int32) (number uint32, ok bool) {
	code := uint32(counts) & 0xFFFFFF
	number = code >> 8 & (numbers - 1)
	return number, counts == signed(code) && code == patternCode(converter, number)
}

// signed is the number that 24 bits in two's complement are.
func signed(code uint32) int32 { return int32(code<<8) >> 8 }
