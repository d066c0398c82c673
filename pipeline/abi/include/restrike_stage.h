/* The C interface between the restrike host and a stage library, version 1.
 *
 * A stage is a shared library that exports
 *
 *     const RestrikeStageTable *restrike_stage(void);
 *
 * The host reads `struct_size` and `abi_version` of the table first and nothing
 * else before both are accepted.
 *
 * Structures only ever grow at their end. Text is UTF-8 as pointer + length, not
 * terminated, valid until the call returns. Results go through the callbacks of
 * RestrikeHost, which copies what it is given before it returns: neither side
 * frees the other's memory. Images are views; strides are in bytes. `measure` may
 * be called for several sheets at once from several threads, the other functions
 * are called one at a time. Nothing may unwind (or longjmp) through the boundary.
 * Libraries are never unloaded.
 *
 * Generated from pipeline/abi; do not edit.
 */

#ifndef RESTRIKE_STAGE_H
#define RESTRIKE_STAGE_H

#include <stddef.h>
#include <stdint.h>

/*
 Version of this interface.
 */
#define RESTRIKE_ABI_VERSION 1

/*
 The call worked.
 */
#define RESTRIKE_STATUS_OK 0

/*
 The call did not work; the reason was given to `Host::fail`.
 */
#define RESTRIKE_STATUS_ERROR 1

/*
 The stage panicked; the message was given to `Host::fail`.
 */
#define RESTRIKE_STATUS_PANIC 2

/*
 8-bit unsigned samples; 255 = 1.0.
 */
#define RESTRIKE_SAMPLE_U8 1

/*
 16-bit unsigned samples; 65535 = 1.0.
 */
#define RESTRIKE_SAMPLE_U16 2

/*
 32-bit float samples.
 */
#define RESTRIKE_SAMPLE_F32 3

/*
 Cell without a value.
 */
#define RESTRIKE_VALUE_NULL 0

/*
 Cell with a truth value in `integer` (0 or 1).
 */
#define RESTRIKE_VALUE_BOOLEAN 1

/*
 Cell with a whole number in `integer`.
 */
#define RESTRIKE_VALUE_INTEGER 2

/*
 Cell with a real number in `number`.
 */
#define RESTRIKE_VALUE_NUMBER 3

/*
 Cell with text in `text`.
 */
#define RESTRIKE_VALUE_TEXT 4

/*
 A note that is good to know.
 */
#define RESTRIKE_LEVEL_INFO 0

/*
 A note that asks for a look.
 */
#define RESTRIKE_LEVEL_WARNING 1

/*
 `learn`: an impression to learn from.
 */
#define RESTRIKE_STEP_IMPRESSION 0

/*
 `learn`: there are no more impressions, put the record out now.
 */
#define RESTRIKE_STEP_FINISH 1

/*
 UTF-8 text, or bytes, that somebody else owns.
 */
typedef struct RestrikeStr {
  /*
   First byte; may be null when `len` is 0.
   */
  const uint8_t *ptr;
  /*
   Number of bytes.
   */
  size_t len;
} RestrikeStr;

/*
 A named part of the block record.
 */
typedef struct RestrikeRecordPart {
  /*
   Its name.
   */
  struct RestrikeStr name;
  /*
   Its bytes.
   */
  struct RestrikeStr data;
} RestrikeRecordPart;

/*
 What `create` is given.
 */
typedef struct RestrikeSetup {
  /*
   Size of this structure in bytes.
   */
  uint32_t struct_size;
  /*
   Unused, 0.
   */
  uint32_t reserved;
  /*
   The stage's settings, JSON, valid against its schema.
   */
  struct RestrikeStr settings;
  /*
   Sheet, images, blocks, marks and tolerances, JSON.
   */
  struct RestrikeStr project;
  /*
   Parts of the block record.
   */
  const struct RestrikeRecordPart *records;
  /*
   Number of parts.
   */
  size_t record_count;
} RestrikeSetup;

/*
 One cell of a table.
 */
typedef struct RestrikeValue {
  /*
   One of `VALUE_*`.
   */
  uint32_t kind;
  /*
   Unused, 0.
   */
  uint32_t reserved;
  /*
   Truth value or whole number.
   */
  int64_t integer;
  /*
   Real number; must be finite.
   */
  double number;
  /*
   Text.
   */
  struct RestrikeStr text;
} RestrikeValue;

/*
 A view of an image, rows from the top.
 */
typedef struct RestrikeImage {
  /*
   Size of this structure in bytes.
   */
  uint32_t struct_size;
  /*
   `SAMPLE_U8`, `SAMPLE_U16` or `SAMPLE_F32`.
   */
  uint32_t sample;
  /*
   The image's name; `scan` for the scan itself.
   */
  struct RestrikeStr name;
  /*
   First sample of the top-left pixel, aligned for its type.
   */
  const void *data;
  /*
   Pixels across.
   */
  uint32_t width;
  /*
   Pixels down.
   */
  uint32_t height;
  /*
   Samples a pixel.
   */
  uint32_t channels;
  /*
   Unused, 0.
   */
  uint32_t reserved;
  /*
   Bytes from one pixel to the next in a row.
   */
  int64_t x_stride;
  /*
   Bytes from one row to the next.
   */
  int64_t y_stride;
  /*
   Bytes from one channel to the next in a pixel.
   */
  int64_t channel_stride;
  /*
   Millimetres per pixel across; 0 if it does not apply.
   */
  double mm_per_px_x;
  /*
   Millimetres per pixel down; 0 if it does not apply.
   */
  double mm_per_px_y;
} RestrikeImage;

/*
 What the host offers during a call. `context` goes back as the first argument.
 Callbacks that return a number return `STATUS_OK`, or `STATUS_ERROR` when the
 host refused what it was given; the host then ends the stage on this sheet
 with its own message, and the stage should return soon.
 */
typedef struct RestrikeHost {
  /*
   Size of this structure in bytes.
   */
  uint32_t struct_size;
  /*
   `ABI_VERSION` of the host.
   */
  uint32_t abi_version;
  /*
   The host's own.
   */
  void *context;
  /*
   A row: table name, then a value for each declared column, in order.
   */
  int32_t (*row)(void*, struct RestrikeStr, const struct RestrikeValue*, size_t);
  /*
   An image of `SAMPLE_F32` for later stages and pictures.
   */
  int32_t (*image)(void*, const struct RestrikeImage*);
  /*
   A picture for people, described in JSON.
   */
  int32_t (*picture)(void*, struct RestrikeStr);
  /*
   A part of the block record: name, bytes.
   */
  int32_t (*record)(void*, struct RestrikeStr, struct RestrikeStr);
  /*
   A remark: `LEVEL_*`, text.
   */
  void (*note)(void*, uint32_t, struct RestrikeStr);
  /*
   A sheet is not to be measured: number in the sheet list, short status, reason.
   */
  void (*not_measured)(void*, uint64_t, struct RestrikeStr, struct RestrikeStr);
  /*
   Why the call is about to fail.
   */
  void (*fail)(void*, struct RestrikeStr);
  /*
   Not 0 when the run is being stopped.
   */
  int32_t (*cancelled)(void*);
} RestrikeHost;

/*
 A table: `rows * columns` cells, row after row.
 */
typedef struct RestrikeTable {
  /*
   Size of this structure in bytes.
   */
  uint32_t struct_size;
  /*
   Number of columns.
   */
  uint32_t column_count;
  /*
   The table's name.
   */
  struct RestrikeStr name;
  /*
   The columns' names.
   */
  const struct RestrikeStr *columns;
  /*
   Number of rows.
   */
  size_t row_count;
  /*
   The cells.
   */
  const struct RestrikeValue *cells;
} RestrikeTable;

/*
 What `learn` and `measure` are given.
 */
typedef struct RestrikeInput {
  /*
   Size of this structure in bytes.
   */
  uint32_t struct_size;
  /*
   `STEP_IMPRESSION`, or in `learn` at the end `STEP_FINISH`.
   */
  uint32_t step;
  /*
   Line of the sheet list, JSON.
   */
  struct RestrikeStr impression;
  /*
   What is known of the scan, JSON.
   */
  struct RestrikeStr scan_info;
  /*
   The scan: linear light, sRGB primaries, `SAMPLE_U16`, 1 or 3 channels;
   null at `STEP_FINISH`.
   */
  const struct RestrikeImage *scan;
  /*
   Tables of earlier stages about this sheet.
   */
  const struct RestrikeTable *tables;
  /*
   Number of tables.
   */
  size_t table_count;
  /*
   Images of earlier stages about this sheet.
   */
  const struct RestrikeImage *images;
  /*
   Number of images.
   */
  size_t image_count;
} RestrikeInput;

/*
 What `summarise` is given.
 */
typedef struct RestrikeRun {
  /*
   Size of this structure in bytes.
   */
  uint32_t struct_size;
  /*
   Unused, 0.
   */
  uint32_t reserved;
  /*
   All lines of the sheet list, a JSON array.
   */
  struct RestrikeStr impressions;
  /*
   Tables over all sheets.
   */
  const struct RestrikeTable *tables;
  /*
   Number of tables.
   */
  size_t table_count;
} RestrikeRun;

/*
 What a stage library offers.
 */
typedef struct RestrikeStageTable {
  /*
   Size of this structure in bytes.
   */
  uint32_t struct_size;
  /*
   `ABI_VERSION` the library was built for.
   */
  uint32_t abi_version;
  /*
   The manifest, JSON; valid for the life of the process.
   */
  struct RestrikeStr manifest;
  /*
   Makes an instance; null when it cannot, after `Host::fail`.
   */
  void *(*create)(const struct RestrikeSetup*, const struct RestrikeHost*);
  /*
   Ends an instance.
   */
  void (*destroy)(void*);
  /*
   Learns; may be absent.
   */
  int32_t (*learn)(void*, const struct RestrikeInput*, const struct RestrikeHost*);
  /*
   Measures one impression; may be absent.
   */
  int32_t (*measure)(void*, const struct RestrikeInput*, const struct RestrikeHost*);
  /*
   Looks at the whole run; may be absent.
   */
  int32_t (*summarise)(void*, const struct RestrikeRun*, const struct RestrikeHost*);
} RestrikeStageTable;

/*
 The exported function's type.
 */
typedef const struct RestrikeStageTable *(*RestrikeEntry)(void);

#endif  /* RESTRIKE_STAGE_H */
