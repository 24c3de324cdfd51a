package influx

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// rowPart is the most bytes of a row in one field: a 1.8 takes 64 KB of text.
const rowPart = 60000

// encodeRow writes a row of the book as JSON, field by field: times as text, numbers that
// JSON has no word for as text, bytes in base64.
func encodeRow(row any) (string, error) {
	v, err := plain(reflect.ValueOf(row))
	if err != nil {
		return "", err
	}
	text, err := json.Marshal(v)
	return string(text), err
}

func plain(v reflect.Value) (any, error) {
	switch x := v.Interface().(type) {
	case time.Time:
		if x.IsZero() {
			return "", nil
		}
		return x.UTC().Format(time.RFC3339Nano), nil
	case []byte:
		if x == nil {
			return nil, nil
		}
		return base64.StdEncoding.EncodeToString(x), nil
	}
	switch v.Kind() {
	case reflect.Struct:
		m := map[string]any{}
		for i := range v.NumField() {
			field, err := plain(v.Field(i))
			if err != nil {
				return nil, err
			}
			m[v.Type().Field(i).Name] = field
		}
		return m, nil
	case reflect.Slice:
		if v.IsNil() {
			return nil, nil
		}
		list := make([]any, v.Len())
		for i := range list {
			var err error
			if list[i], err = plain(v.Index(i)); err != nil {
				return nil, err
			}
		}
		return list, nil
	case reflect.Float64:
		if f := v.Float(); math.IsNaN(f) || math.IsInf(f, 0) {
			return strconv.FormatFloat(f, 'g', -1, 64), nil
		}
		return v.Float(), nil
	case reflect.Int, reflect.Int64, reflect.String, reflect.Bool:
		return v.Interface(), nil
	}
	return nil, fmt.Errorf("a field of type %s cannot be shipped", v.Type())
}

// decodeRow reads what encodeRow wrote into *row. Keys that it does not know are left
// out, so that an older program reads the rows of a newer one.
func decodeRow(text string, row any) error {
	dec := json.NewDecoder(strings.NewReader(text))
	dec.UseNumber() // ids have more digits than a float64
	var v any
	if err := dec.Decode(&v); err != nil {
		return err
	}
	return fill(reflect.ValueOf(row).Elem(), v)
}

func fill(dst reflect.Value, v any) error {
	wrong := fmt.Errorf("%v stands where a %s belongs", v, dst.Type())
	text, isText := v.(string)
	switch dst.Interface().(type) {
	case time.Time:
		if text == "" && isText {
			return nil
		}
		t, err := time.Parse(time.RFC3339Nano, text)
		if err != nil {
			return wrong
		}
		dst.Set(reflect.ValueOf(t))
		return nil
	case []byte:
		if v == nil {
			return nil
		}
		b, err := base64.StdEncoding.DecodeString(text)
		if err != nil || !isText {
			return wrong
		}
		dst.SetBytes(b)
		return nil
	}
	number, isNumber := v.(json.Number)
	switch dst.Kind() {
	case reflect.Struct:
		m, ok := v.(map[string]any)
		if !ok {
			return wrong
		}
		for i := range dst.NumField() {
			name := dst.Type().Field(i).Name
			field, ok := m[name]
			if !ok {
				continue
			}
			if err := fill(dst.Field(i), field); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
		return nil
	case reflect.Slice:
		if v == nil {
			return nil
		}
		list, ok := v.([]any)
		if !ok {
			return wrong
		}
		dst.Set(reflect.MakeSlice(dst.Type(), len(list), len(list)))
		for i, x := range list {
			if err := fill(dst.Index(i), x); err != nil {
				return err
			}
		}
		return nil
	case reflect.Float64:
		if isNumber {
			text = number.String()
		} else if !isText {
			return wrong
		}
		f, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return wrong
		}
		dst.SetFloat(f)
		return nil
	case reflect.Int, reflect.Int64:
		n, err := strconv.ParseInt(number.String(), 10, 64)
		if err != nil {
			return wrong
		}
		dst.SetInt(n)
		return nil
	case reflect.String:
		if !isText {
			return wrong
		}
		dst.SetString(text)
		return nil
	case reflect.Bool:
		b, ok := v.(bool)
		if !ok {
			return wrong
		}
		dst.SetBool(b)
		return nil
	}
	return wrong
}

// parts cuts a row into what one field takes, between letters.
func parts(row string) []string {
	var out []string
	for len(row) > rowPart {
		n := rowPart
		for !utf8.RuneStart(row[n]) {
			n--
		}
		out, row = append(out, row[:n]), row[n:]
	}
	return append(out, row)
}

// partName is the field of part i, from 0: row, row2, row3 ...
func partName(i int) string {
	if i == 0 {
		return "row"
	}
	return "row" + strconv.Itoa(i+1)
}
