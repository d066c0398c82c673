/* A stage that breaks the contract in the way a define asks for. */

#include "restrike_stage.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

#define TEXT(s) ((RestrikeStr){(const uint8_t *)(s), sizeof(s) - 1})

#if defined(BAD_NAME)
#define NAME "Bro ken"
#else
#define NAME "broken"
#endif

#if defined(RESERVED_COLUMN)
#define COLUMN "status"
#else
#define COLUMN "value"
#endif

static const char MANIFEST[] =
#if defined(TORN_MANIFEST)
    "{\"name\":\"broken\",";
#else
    "{\"name\":\"" NAME "\",\"version\":\"1\",\"summary\":\"Broken.\",\"settings\":{},"
    "\"gives\":{\"tables\":[{\"name\":\"broken\",\"title\":\"Broken\",\"scope\":\"sheet\","
    "\"columns\":[{\"name\":\"" COLUMN "\",\"kind\":\"number\",\"description\":\"A value.\"}]}],"
    "\"images\":[\"map\"],\"pictures\":[\"view\"]},\"phases\":{\"measure\":true}}";
#endif

static int instance;

static void *create(const RestrikeSetup *setup, const RestrikeHost *host) {
  (void)setup;
  (void)host;
#if defined(NULL_INSTANCE)
  return NULL;
#else
  return &instance;
#endif
}

static void destroy(void *stage) { (void)stage; }

static int32_t measure(void *self, const RestrikeInput *input, const RestrikeHost *host) {
  (void)self;
  (void)input;
  RestrikeValue value = {0};
  value.kind = RESTRIKE_VALUE_NUMBER;
  RestrikeStr table = TEXT("broken");
#if defined(UNKNOWN_TABLE)
  table = TEXT("nowhere");
#endif
#if defined(SHORT_ROW)
  return host->row(host->context, table, NULL, 0);
#elif defined(NULL_CELLS)
  return host->row(host->context, table, NULL, 1);
#elif defined(BAD_PICTURE)
  return host->picture(host->context, TEXT("{\"name\":3}"));
#elif defined(NULL_IMAGE)
  return host->image(host->context, NULL);
#elif defined(HUGE_IMAGE)
  RestrikeImage image = {0};
  image.sample = RESTRIKE_SAMPLE_F32;
  image.name = TEXT("map");
  image.data = &value;
  image.width = UINT32_MAX;
  image.height = UINT32_MAX;
  image.channels = 1;
  return host->image(host->context, &image);
#elif defined(SILENT_ERROR)
  return 5;
#endif
#if defined(NOT_FINITE)
  value.number = NAN;
#elif defined(UNKNOWN_KIND)
  value.kind = 77;
#elif defined(NOT_UTF8)
  table = TEXT("\xff\xfe");
#endif
  /* The host's refusal is not passed on: it must hold all the same. */
  host->row(host->context, table, &value, 1);
  return RESTRIKE_STATUS_OK;
}

static const RestrikeStageTable TABLE = {
#if defined(SHORT_TABLE)
    .struct_size = 16,
#else
    .struct_size = sizeof(RestrikeStageTable),
#endif
#if defined(OTHER_ABI)
    .abi_version = 999,
#else
    .abi_version = RESTRIKE_ABI_VERSION,
#endif
#if !defined(NO_MANIFEST)
    .manifest = {(const uint8_t *)MANIFEST, sizeof(MANIFEST) - 1},
#endif
#if !defined(NO_CREATE)
    .create = create,
#endif
    .destroy = destroy,
#if !defined(LACKS_MEASURE)
    .measure = measure,
#endif
};

#if defined(NO_ENTRY)
const RestrikeStageTable *another_name(void);
const RestrikeStageTable *another_name(void) {
#else
const RestrikeStageTable *restrike_stage(void);
const RestrikeStageTable *restrike_stage(void) {
#endif
  /* Not every variant uses all of these. */
  (void)MANIFEST;
  (void)create;
  (void)measure;
  (void)&TABLE;
  (void)&instance;
#if defined(NULL_TABLE)
  return NULL;
#else
  return &TABLE;
#endif
}
