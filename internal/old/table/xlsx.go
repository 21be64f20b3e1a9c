package table

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/xuri/excelize/v2"
)

// workbookRows reads one sheet of a workbook by its raw values: a date is its
// serial number, which the layout's type of the column reads.
type workbookRows struct {
	file   *excelize.File
	rows   *excelize.Rows
	number int
}

// unzipLimit is how much of a sheet is held in memory; a greater one is unpacked
// into a temporary file, so that memory does not grow with the workbook.
const unzipLimit = 16 << 20

// openFile opens a workbook, plain or gzip; one that is packed so is unpacked into memory.
func openFile(name string, o excelize.Options) (*excelize.File, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	in, err := plain(f)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFormat, err)
	}
	open := func() (*excelize.File, error) { return excelize.OpenFile(name, o) }
	if in != io.Reader(f) {
		open = func() (*excelize.File, error) { return excelize.OpenReader(in, o) }
	}
	book, err := open()
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFormat, err)
	}
	return book, nil
}

func openWorkbook(name string, f Format) (*workbookRows, error) {
	file, err := openFile(name, excelize.Options{RawCellValue: true, UnzipXMLSizeLimit: unzipLimit})
	if err != nil {
		return nil, err
	}
	sheet := f.Sheet
	if sheet == "" {
		sheet = file.GetSheetName(0)
	}
	rows, err := file.Rows(sheet)
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return &workbookRows{file: file, rows: rows}, nil
}

// Epoch1904 reports whether the serial numbers of a workbook count from 1904.
func Epoch1904(name string) (bool, error) {
	file, err := openFile(name, excelize.Options{UnzipXMLSizeLimit: unzipLimit})
	if err != nil {
		return false, err
	}
	props, err := file.GetWorkbookProps()
	return err == nil && props.Date1904 != nil && *props.Date1904, errors.Join(err, file.Close())
}

// Next reads one row of the sheet.
func (r *workbookRows) Next() (Row, error) {
	if !r.rows.Next() {
		return Row{}, cmp.Or(r.rows.Error(), io.EOF)
	}
	cells, err := r.rows.Columns()
	if err != nil {
		return Row{}, err
	}
	r.number++
	var raw bytes.Buffer
	w := csv.NewWriter(&raw)
	if err := w.Write(cells); err != nil {
		return Row{}, err
	}
	w.Flush()
	return Row{Number: r.number, Raw: raw.Bytes(), Cells: cells}, nil
}

// Close closes the sheet, then the workbook.
func (r *workbookRows) Close() error { return errors.Join(r.rows.Close(), r.file.Close()) }

// Sheets are the names of the sheets of a workbook, in their order.
func Sheets(name string) ([]string, error) {
	file, err := openFile(name, excelize.Options{UnzipXMLSizeLimit: unzipLimit})
	if err != nil {
		return nil, err
	}
	return file.GetSheetList(), file.Close()
}
