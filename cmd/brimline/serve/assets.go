package serve

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

// dist is the page as built from cmd/brimline/page; it is not committed. .keep is,
// so that the program builds without it and says what is missing.
//
//go:embed all:dist
var dist embed.FS

// mimeTypes are those of the page's files. The system's table is not asked: a board
// may have none, and with nosniff a wrong type is a blank page.
var mimeTypes = map[string]string{
	".html": "text/html; charset=utf-8",
	".js":   "text/javascript; charset=utf-8",
	".css":  "text/css; charset=utf-8",
	".svg":  "image/svg+xml",
}

type asset struct {
	plain, packed []byte // packed by gzip
	mime, tag     string
}

// assets are the page's files by the path they are served at, packed once.
type assets struct {
	files map[string]asset
}

func loadAssets(files fs.FS) *assets {
	a := &assets{files: map[string]asset{}}
	// Reading embedded files fails only for names that are not there.
	_ = fs.WalkDir(files, "dist", func(name string, d fs.DirEntry, err error) error {
		mime, known := mimeTypes[path.Ext(name)]
		if err != nil || d.IsDir() || !known {
			return err
		}
		body, err := fs.ReadFile(files, name)
		if err != nil {
			return err
		}
		var packed bytes.Buffer
		z, _ := gzip.NewWriterLevel(&packed, gzip.BestCompression)
		z.Write(body) // into memory: cannot fail
		z.Close()
		sum := sha256.Sum256(body)
		a.files[strings.TrimPrefix(name, "dist")] = asset{body, packed.Bytes(), mime, `"` + hex.EncodeToString(sum[:8]) + `"`}
		return nil
	})
	return a
}

// index serves the page itself, which is asked for anew each time.
func (a *assets) index(w http.ResponseWriter, r *http.Request) {
	page, ok := a.files["/index.html"]
	if !ok {
		problem(w, r, http.StatusServiceUnavailable, "page not built: run make build; the bench measures, and /api/v1/state answers")
		return
	}
	w.Header().Set("Cache-Control", "no-cache")
	page.serve(w, r)
}

// serve serves a file whose name has its content's hash in it, so it never changes.
func (a *assets) serve(w http.ResponseWriter, r *http.Request) {
	file, ok := a.files[r.URL.Path]
	if !ok {
		problem(w, r, http.StatusNotFound, "there is no such file; the page may have been renewed: load it again")
		return
	}
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	file.serve(w, r)
}

func (f asset) serve(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", f.mime)
	h.Set("Vary", "Accept-Encoding")
	h.Set("ETag", f.tag)
	if r.Header.Get("If-None-Match") == f.tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	body := f.plain
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		body = f.packed
	}
	if r.Method == http.MethodHead {
		return
	}
	w.Write(body)
}
