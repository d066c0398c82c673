/* dark-share: a stage in C. It says how large a share of the scan is darker
 * than a limit, in linear light. Build it as a shared library against
 * pipeline/abi/include/restrike_stage.h; README.md has the command. */

#include "restrike_stage.h"

#include <stdlib.h>
#include <string.h>

#define TEXT(s) ((RestrikeStr){(const uint8_t *)(s), sizeof(s) - 1})

/* The manifest: what the stage is called, takes and gives. */
static const char MANIFEST[] =
    "{\"name\":\"dark-share\",\"version\":\"1.0\","
    "\"summary\":\"Share of the scan darker than a limit.\","
    "\"settings\":{\"type\":\"object\",\"additionalProperties\":false,\"properties\":{"
    "\"limit\":{\"type\":\"number\",\"minimum\":0,\"maximum\":1,\"default\":0.25,"
    "\"description\":\"Reflectance below which a pixel counts as dark.\"}}},"
    "\"gives\":{\"tables\":[{\"name\":\"dark_share\",\"title\":\"Dark share of each scan\","
    "\"scope\":\"sheet\",\"columns\":["
    "{\"name\":\"dark_pct\",\"kind\":\"number\",\"unit\":\"%\",\"decimals\":3,"
    "\"description\":\"Share of pixels whose mean reflectance is below the limit.\"}]}]},"
    "\"phases\":{\"measure\":true},\"bytes_per_pixel\":0}";

typedef struct {
  double limit;
} DarkShare;

/* The settings are valid against the schema above, so a plain search for the
 * number is enough here; a stage with more settings brings a JSON parser. */
static double read_limit(RestrikeStr json) {
  static const char key[] = "\"limit\":";
  const size_t n = sizeof(key) - 1;
  for (size_t i = 0; i + n < json.len; i++) {
    if (memcmp(json.ptr + i, key, n) == 0) {
      char number[64] = {0};
      size_t k = json.len - i - n;
      if (k > sizeof(number) - 1)
        k = sizeof(number) - 1;
      memcpy(number, json.ptr + i + n, k);
      return strtod(number, NULL);
    }
  }
  return 0.25;
}

static void *create(const RestrikeSetup *setup, const RestrikeHost *host) {
  DarkShare *stage = malloc(sizeof *stage);
  if (stage == NULL) {
    host->fail(host->context, TEXT("no memory"));
    return NULL;
  }
  stage->limit = read_limit(setup->settings);
  return stage;
}

static void destroy(void *stage) { free(stage); }

static int32_t measure(void *self, const RestrikeInput *input, const RestrikeHost *host) {
  const DarkShare *stage = self;
  const RestrikeImage *scan = input->scan;
  if (scan == NULL || scan->sample != RESTRIKE_SAMPLE_U16 || scan->channels == 0) {
    host->fail(host->context, TEXT("the scan is not of 16-bit samples"));
    return RESTRIKE_STATUS_ERROR;
  }
  uint64_t dark = 0;
  for (uint32_t y = 0; y < scan->height; y++) {
    const uint8_t *row = (const uint8_t *)scan->data + (int64_t)y * scan->y_stride;
    for (uint32_t x = 0; x < scan->width; x++) {
      double sum = 0;
      for (uint32_t c = 0; c < scan->channels; c++) {
        uint16_t sample;
        memcpy(&sample, row + (int64_t)x * scan->x_stride + (int64_t)c * scan->channel_stride,
               sizeof sample);
        sum += sample / 65535.0;
      }
      if (sum / scan->channels < stage->limit)
        dark++;
    }
  }
  RestrikeValue share = {0};
  share.kind = RESTRIKE_VALUE_NUMBER;
  share.number = 100.0 * (double)dark / ((double)scan->width * (double)scan->height);
  return host->row(host->context, TEXT("dark_share"), &share, 1);
}

static const RestrikeStageTable TABLE = {
    .struct_size = sizeof(RestrikeStageTable),
    .abi_version = RESTRIKE_ABI_VERSION,
    .manifest = {(const uint8_t *)MANIFEST, sizeof(MANIFEST) - 1},
    .create = create,
    .destroy = destroy,
    .learn = NULL,
    .measure = measure,
    .summarise = NULL,
};

const RestrikeStageTable *restrike_stage(void) { return &TABLE; }
